"""``[rest]`` of a rule file: how the pieces nobody measures are judged."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field, model_validator

from daemon.toml_values import KeyFaultError, Number, Section, Share
from rules.attribute_plans import EDITION, LEVELS, aqls
from rules.ruleset import Rest

_OF_PLAN: dict[str, tuple[str, ...]] = {
    "sample": ("limiting_quality", "consumers_risk", "acceptance_number"),
    "measured": ("limiting_quality", "consumers_risk", "further"),
    "aql": ("edition", "aql", "level"),
}
_NEEDED: dict[str, tuple[str, ...]] = {
    "sample": ("limiting_quality", "consumers_risk"),
    "measured": ("limiting_quality", "consumers_risk"),
    "aql": ("edition", "aql"),
}


class RestSection(Section):
    """How the unmeasured rest is to be judged; each plan has keys of its own."""

    plan: Literal["sample", "measured", "aql"]
    limiting_quality: Share | None = None
    consumers_risk: Share | None = None
    acceptance_number: Annotated[int, Field(ge=0, le=1_000)] | None = None
    further: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    edition: str | None = None
    aql: Number | None = None
    level: str | None = None

    @model_validator(mode="after")
    def _fits_its_plan(self) -> "RestSection":
        accepted = ", ".join(_OF_PLAN[self.plan])
        for key in type(self).model_fields:
            is_given = getattr(self, key) is not None
            if key != "plan" and is_given and key not in _OF_PLAN[self.plan]:
                raise KeyFaultError(key, f"plan {self.plan} has none; accepted are {accepted}")
            if not is_given and key in _NEEDED[self.plan]:
                raise KeyFaultError(key, f"plan {self.plan} needs it; accepted are {accepted}")
        self._check_tables()
        return self

    def _check_tables(self) -> None:
        if self.edition is not None and self.edition != EDITION:
            raise KeyFaultError("edition", f"got {self.edition!r}; accepted is {EDITION!r}")
        if self.aql is not None and Decimal(self.aql) not in aqls():
            known = ", ".join(str(value) for value in aqls())
            raise KeyFaultError("aql", f"got {self.aql}; accepted are {known} (per cent)")
        if self.level is not None and self.level not in LEVELS:
            text = f"got {self.level!r}; accepted are {', '.join(LEVELS)}"
            raise KeyFaultError("level", text)

    def rest(self) -> Rest:
        """Return the plain plan the core works with."""
        return Rest(
            self.plan, self.limiting_quality or 0.0, self.consumers_risk or 0.0,
            self.acceptance_number or 0, self.further or 0, self.edition or "",
            "" if self.aql is None else str(self.aql.normalize()), self.level or "II",
        )  # fmt: skip
