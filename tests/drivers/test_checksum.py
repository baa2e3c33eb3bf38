"""Checksums against published vectors; the sender's own computation against the reader's."""

from random import Random

import pytest

from drivers.checksum import CHECKSUMS, crc_16, lrc_7, sum_8, xor_8
from simulators.checksum import checksum


def test_crc_16_gives_the_published_check_value() -> None:
    # CRC-16/MODBUS, check 0x4B37 over "123456789": catalogue of parametrised CRC algorithms,
    # reveng.sourceforge.io/crc-catalogue/16.htm (address from memory)
    assert crc_16(b"123456789") == 0x4B37


@pytest.mark.parametrize(
    "frame",
    [
        # "MODBUS over Serial Line Specification and Implementation Guide V1.02", from memory:
        # unit 2, function 07, CRC 41 12 hex in the order of the wire.
        "02 07 41 12",
        # Often quoted read request, two registers from 0 (common practice, no source).
        "01 03 00 00 00 02 C4 0B",
        "01 83 02 C0 F1",
    ],
)
def test_crc_16_stands_low_byte_first_behind_published_frames(frame: str) -> None:
    raw = bytes.fromhex(frame)
    assert crc_16(raw[:-2]).to_bytes(2, "little") == raw[-2:]


def test_a_frame_with_its_crc_behind_it_has_the_remainder_zero() -> None:
    rng = Random(11)
    for _ in range(200):
        body = rng.randbytes(rng.randrange(1, 60))
        assert crc_16(body + crc_16(body).to_bytes(2, "little")) == 0


def test_the_small_checksums_are_what_their_names_say() -> None:
    # By hand: 31 ^ 32 ^ B4 = B7; without the top bit 37; 31 + 32 + B4 = 117, modulo 100 hex.
    data = bytes.fromhex("31 32 B4")
    assert xor_8(data) == 0xB7
    assert lrc_7(data) == 0x37
    assert sum_8(data) == 0x17


@pytest.mark.parametrize("kind", CHECKSUMS)
def test_reader_and_sender_agree(kind: str) -> None:
    rng = Random(12)
    compute, width = CHECKSUMS[kind]
    for _ in range(500):
        data = rng.randbytes(rng.randrange(40))
        assert checksum(kind, data) == (compute(data), width)


def test_an_unknown_kind_is_refused_by_the_sender() -> None:
    with pytest.raises(ValueError, match="no checksum named 'md5'"):
        checksum("md5", b"")
