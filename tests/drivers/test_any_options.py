"""Whatever a bench file says, a factory gives a driver or an OptionError, and nothing else."""

import importlib
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.conformance import Specimen
from drivers.contract import LineSettings, OptionError
from tests.drivers.test_conformance import ENTRY_POINTS, SPECIMENS

WORDS = [
    "none",
    "mm",
    "inch",
    "index",
    "xor-8",
    "hex",
    "{value}",
    "+-",
    "-",
    ",",
    "0",
    "1",
    "CR",
]
texts = st.one_of(st.sampled_from(WORDS), st.text(max_size=8))
scalars = st.one_of(
    texts,
    st.integers(),
    st.floats(),
    st.booleans(),
    st.none(),
    st.decimals(),
    st.just(Decimal("1E+999999")),
)
values = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(texts, inner, max_size=4)
    ),
    max_leaves=6,
)


@pytest.mark.parametrize(
    "specimen",
    [specimen for _, specimen in SPECIMENS],
    ids=[specimen.name for _, specimen in SPECIMENS],
)
def test_one_option_of_any_value_is_taken_or_refused_by_its_name(specimen: Specimen) -> None:
    documented = documented_options(specimen)

    @settings(max_examples=400, deadline=None)
    @given(st.sampled_from(documented), values)
    def check(key: str, value: object) -> None:
        refused = None
        try:
            driver = specimen.make({**specimen.options, key: value})
        except OptionError as error:
            refused = error
        if refused is None:
            assert isinstance(driver.line, LineSettings)
        else:
            assert refused.accepted
            assert str(refused).startswith(refused.key)

    check()


def documented_options(specimen: Specimen) -> list[str]:
    """Return every option the driver knows, as its refusal of an unknown one lists them."""
    with pytest.raises(OptionError) as caught:
        specimen.make({**specimen.options, "an-unknown-one": 1})
    return caught.value.accepted.removeprefix("one of ").split(", ")


@pytest.mark.parametrize("name", ENTRY_POINTS)
def test_every_option_is_described_in_the_pattern_s_own_words(name: str) -> None:
    described = importlib.import_module(ENTRY_POINTS[name].partition(":")[0]).__doc__ or ""
    if name.startswith("ascii"):
        for shared in ("drivers.ascii_frame", "drivers.ascii_content"):
            assert shared in described
            described += importlib.import_module(shared).__doc__ or ""
    specimens = [specimen for driver, specimen in SPECIMENS if driver == name]
    for key in documented_options(specimens[0]):
        assert f"    {key} " in described or f"``{key}``" in described, key
