"""The proof of the rest in words a customer accepts and a statistician signs."""

from dataclasses import dataclass

from rules.draw import ALGORITHM
from rules.finite_lot import chance_of_at_most
from rules.length import um_text
from rules.rest_proof import RestProof
from rules.ruleset import Limit

HOLDER_SHARE = 10
"""The master's run-out is to be at most a tenth of the limit, or inside the guard band."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What the figures alone don't say.

    Attributes:
        lot: The lot's name.
        grade: The ordinary grade's name.
        tolerance_limit_nm: Its tolerance limit.
        acceptance_limit_nm: What first clampings were compared with.
        seed: Recorded seed of the drawn order or the drawn sample; "" where none was drawn.
        master_tir_nm: Run-out of the bench's master; None if no check gave it.
        top_taken: Pieces of better grades taken out of those measured.
        is_drawn: Whether the sample, or the order of measuring, was drawn by record.
        positions: Limits at each position, where the rule file limits positions.
    """

    lot: str
    grade: str
    tolerance_limit_nm: int
    acceptance_limit_nm: int
    seed: str = ""
    master_tir_nm: int | None = None
    top_taken: int = 0
    is_drawn: bool = True
    positions: tuple[Limit, ...] = ()

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Return the limits a first clamping is compared with."""
        guard_nm = self.tolerance_limit_nm - self.acceptance_limit_nm
        return self.positions or (Limit(self.tolerance_limit_nm, guard_nm),)

    @property
    def limit_text(self) -> str:
        """Return the acceptance limits: ``10 µm``, or ``6 µm at face or 12 µm at far``."""
        return " or ".join(_um(one.acceptance_limit_nm) + _at(one) for one in self.limits)


@dataclass(frozen=True, slots=True)
class RestWords:
    """One result, told twice, with what it rests on.

    Attributes:
        customer: What may be said of the rest.
        statistician: The same with every number needed to do it again.
        assumptions: What has to be true for it, one sentence each.
        what_next: What to do now.
    """

    customer: str
    statistician: str
    assumptions: tuple[str, ...]
    what_next: str


def rest_words(proof: RestProof, about: Circumstances) -> RestWords:
    """Return the words for one look."""
    return RestWords(
        _customer(proof, about),
        _statistician(proof),
        _assumptions(proof, about),
        _what_next(proof),
    )


def nothing_left_words(about: Circumstances) -> RestWords:
    """Return the words for a lot that was used up before its order was filled."""
    return RestWords(
        f"Lot {about.lot}: every piece was measured; there is no rest to prove.",
        "No piece was left out, so nothing is inferred.",
        (attribute(about), holder(about)),
        "No more measuring is possible.",
    )


def _customer(proof: RestProof, about: Circumstances) -> str:
    limit = about.limit_text
    if proof.outcome == "nothing-left":
        return f"Lot {about.lot}: every piece was measured; there is no rest to prove."
    looked = _looked_at(proof, about, limit)
    if proof.outcome == "hold":
        return f"{looked} Nothing is stated of the {proof.rest} pieces not measured: held."
    if proof.outcome == "under-way":
        assert proof.sample is not None  # only a sample is ever under way
        left = proof.sample.size - proof.tally.pieces
        return f"{looked} Nothing is stated before the sample is complete: {left} to go."
    # of all looks together: the customer is not asked to know how many there were
    confidence = _percent(1 - proof.plan.consumers_risk)
    bound = (
        f"{looked} Of the {proof.rest} pieces not measured, at most {proof.at_most} "
        f"({_percent(proof.share)}) would show more than {limit} at a first clamping: "
        f"stated with {confidence} confidence."
    )
    verdict = "proved" if proof.outcome == "proved" else "not proved"
    return f"{bound} {_asked(proof)} was asked for: {verdict}."


def _asked(proof: RestProof) -> str:
    """Return what the plan asks for: a sample speaks of all pieces it was drawn from."""
    asked = _percent(proof.plan.limiting_quality)
    if proof.sample is None:
        return f"At most {asked}"
    return (
        f"Fewer than {proof.sample.nonconforming} of the {proof.judged} the sample was "
        f"drawn from (limiting quality {asked})"
    )


def _looked_at(proof: RestProof, about: Circumstances, limit: str) -> str:
    count = proof.tally
    drawn = "drawn at random from the rest" if proof.sample else "measured in drawn order"
    if not about.is_drawn:
        drawn = "taken by hand from the rest"
    found = "none of them" if count.beyond == 0 else f"{count.beyond} of them"
    doubt = f" or had no result that stands ({count.doubtful})" if count.doubtful else ""
    return (
        f"Lot {about.lot}, {about.grade}: {count.pieces} of {proof.judged} pieces were "
        f"{drawn}; {found} showed more than {limit} at the first clamping{doubt}."
    )


def _statistician(proof: RestProof) -> str:
    lot, n, x = proof.judged, proof.tally.pieces, proof.tally.beyond
    risk = _percent(proof.plan.risk_of_a_look)
    head = f"Hypergeometric, N = {lot}, n = {n}, x = {x}"
    if proof.sample is not None:
        plan = proof.sample
        return (
            f"{head}. Plan for an isolated lot: sample {plan.size}, acceptance number "
            f"{plan.acceptance_number}; with D = {plan.nonconforming} beyond "
            f"(limiting quality {_percent(plan.limiting_quality)}) it accepts with a chance of "
            f"{_percent(plan.risk_met)}, asked for at most {_percent(plan.consumers_risk)}."
        )
    most = proof.at_most + x
    text = f"{head}. Largest D with P(X ≤ {x}) ≥ {risk}: {most}"
    if n + most - x < lot:
        chance = chance_of_at_most(x, lot, most + 1, n)
        text += f"; D = {most + 1} gives {_percent(chance)}"
    whole = _percent(proof.plan.consumers_risk)
    return f"{text}. Look {proof.look} of {proof.plan.looks}, risk of all looks {whole}."


def _assumptions(proof: RestProof, about: Circumstances) -> tuple[str, ...]:
    said = [drawn(proof.sample is not None, about), attribute(about), holder(about)]
    said += [
        "A piece without a result that stands (void, interrupted, invalid, on hold) counts "
        f"as beyond: {proof.tally.doubtful} here.",
        f"The lot was {proof.plan.quantity} pieces of one article, counted; none was added "
        "or taken away unrecorded.",
        "Every piece counted lies between two good master checks.",
        _looks(proof),
    ]
    if about.top_taken:
        said.append(
            f"{about.top_taken} pieces of a better grade were taken out of those measured; "
            "they are not part of what is delivered as the rest."
        )
    return tuple(said)


def drawn(is_sample: bool, about: Circumstances) -> str:
    """Return how the pieces came to be looked at."""
    if not about.is_drawn:
        return (
            "WARNING: the sample was taken by hand, not drawn by record: all this holds only "
            "if whoever took it did not choose. Numbered tray cells would prove it."
        )
    what = "The sample" if is_sample else "The order of measuring"
    when = "its first piece" if is_sample else "the first piece of the lot"
    seed = f", seed {about.seed!r}" if about.seed else ""
    return f"{what} was drawn by {ALGORITHM}{seed}, recorded before {when} was measured."


def attribute(about: Circumstances) -> str:
    """Return what makes a piece count as beyond."""
    rules = " or ".join(_rule(one) for one in about.limits)
    return (
        f"A piece is beyond when its first clamping on this bench shows more than {rules}. "
        "Another clamping, holder or machine may show another figure."
    )


def _rule(limit: Limit) -> str:
    guard = limit.guard_band_nm
    rule = f"guarded acceptance, {_um(guard)} below it" if guard else "simple acceptance"
    return (
        f"{_um(limit.acceptance_limit_nm)}{_at(limit)} (tolerance limit "
        f"{_um(limit.tolerance_limit_nm)}, {rule})"
    )


def _at(limit: Limit) -> str:
    return f" at {limit.position}" if limit.position else ""


def holder(about: Circumstances) -> str:
    """Return what is known of the holder, which one clamping can hide."""
    limit, guard = (
        about.acceptance_limit_nm,
        about.tolerance_limit_nm - about.acceptance_limit_nm,
    )
    if about.master_tir_nm is None:
        return (
            "WARNING: no master check gave the holder's own run-out; one clamping can hide "
            "all of it."
        )
    master = _um(about.master_tir_nm)
    if about.master_tir_nm * HOLDER_SHARE <= limit:
        return f"The holder's own run-out is {master}, at most a tenth of the limit."
    if about.master_tir_nm <= guard:
        return f"The holder's own run-out is {master}, covered by the guard band {_um(guard)}."
    return (
        f"WARNING: the holder's own run-out is {master}, more than a tenth of the limit and "
        "not covered by a guard band; one clamping can hide all of it."
    )


def _looks(proof: RestProof) -> str:
    if proof.sample is not None:
        return "The sample's size was fixed before its first piece was measured."
    if proof.plan.looks == 1:
        return "One look was fixed at the opening of the lot: when the order is filled."
    return (
        "Two looks were fixed at the opening of the lot: when the order is filled, and after "
        f"{proof.plan.further} more pieces; each takes half of the risk."
    )


def _what_next(proof: RestProof) -> str:
    if proof.outcome == "hold":
        return (
            "Hold the rest. The lead decides: measure all of it, rework, concession or scrap. "
            "Nothing regrades itself."
        )
    if proof.outcome == "under-way":
        return "Measure the next cell of the sample."
    if proof.outcome != "short":
        return "No more measuring is needed for the proof."
    needs = proof.next_look
    if needs is None:
        return (
            "No further look is planned. Measure the rest piece by piece, or hold it. A fresh "
            "sample of it would be another chance and adds its own risk."
        )
    if needs.beyond_left < 0:
        return (
            f"The look after {needs.more} more pieces can't prove it any more: at most "
            f"{max(0, needs.most_beyond)} beyond of {needs.pieces} would, "
            f"{needs.most_beyond - needs.beyond_left} are found already."
        )
    may = f"at most {needs.beyond_left} of them are" if needs.beyond_left else "none of them is"
    return (
        f"Measure {needs.more} more pieces in drawn order: it is proved then if {may} "
        f"beyond ({needs.most_beyond} of {needs.pieces} in all)."
    )


def _um(value_nm: int) -> str:
    return f"{um_text(value_nm)} µm"


def _percent(share: float) -> str:
    """Return a share in per cent, to three figures and never rounded to nothing."""
    return f"{100 * share:.3g} %"
