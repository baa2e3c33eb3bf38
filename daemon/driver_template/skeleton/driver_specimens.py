"""Frames written by hand from the indicator's manual, and what they say."""

from daemon.driver_template.skeleton.codec import encode
from daemon.driver_template.skeleton.driver import make
from drivers import Reading
from drivers.conformance import Golden, Specimen

SPECIMENS = (
    Specimen(
        name="skeleton",
        make=make,
        options={},
        golden=(
            Golden("plus", b"!+0123456m.\r", Reading(12_345_600)),
            Golden("minus", b"!-0000041m.\r", Reading(-4_100)),
            Golden("zero", b"!+0000000m.\r", Reading(0)),
            Golden("low-end", b"!-9999999m.\r", Reading(-999_999_900)),
            Golden("high-end", b"!+9999999m.\r", Reading(999_999_900)),
            Golden(
                "over-range", b"!+9999999mo\r", Reading(None, flags=frozenset({"over-range"}))
            ),
            Golden(
                "low-battery",
                b"!+0000052mb\r",
                Reading(5_200, flags=frozenset({"low-battery"})),
            ),
            Golden("other-unit", b"!-0000020i.\r", Reading(-5_080, "inch")),
            Golden("no-sign", b"!0123456m.\r", None),
            Golden("no-unit", b"!+0123456.\r", None),
        ),
        lacks={"comma": "the frame has no decimal mark"},
        encode=encode,
        step_nm=100,
    ),
)
