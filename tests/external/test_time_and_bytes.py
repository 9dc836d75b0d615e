"""Published answers for checksums, byte stuffing and clock exchanges."""

from binascii import crc32, crc_hqx

import pytest

from apexfix.clock import delay_s, offset_s
from apexfix.wire import Exchange, cobs_decode, cobs_encode, encode_request

# The check values of Williams' parametrised model ("A painless guide to CRC error detection algorithms", 1993), as listed in
# the catalogues that follow it: over the nine characters 123456789.
CHECKED = b"123456789"


def test_the_answers_check_is_crc_32_iso_hdlc():
    assert crc32(CHECKED) == 0xCBF43926


def test_the_requests_check_is_crc_16_ibm_3740_and_none_of_its_cousins():
    assert crc_hqx(CHECKED, 0xFFFF) == 0x29B1
    assert crc_hqx(CHECKED, 0) == 0x31C3  # XMODEM, the same polynomial from another start: not ours


def test_a_request_carries_that_check():
    # The words between ~ and * are the bytes that are checked; computed bit by bit here, apart from the library.
    line = encode_request(12, "read", 3, 0, 8192)
    text, check = line[1:].rstrip(b"\n").split(b"*")
    assert text == b"12 read 3 0 8192"
    assert int(check, 16) == _crc16_bit_by_bit(text)
    assert _crc16_bit_by_bit(CHECKED) == 0x29B1


def _crc16_bit_by_bit(data):
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


@pytest.mark.parametrize(
    ("raw", "stuffed"),
    [
        # Cheshire and Baker, "Consistent overhead byte stuffing", IEEE/ACM Trans. Networking 7(2), 1999, and the examples
        # that follow from its rules, as they are listed in encyclopedias.
        ("11 22 00 33", "03 11 22 02 33"),
        ("00", "01 01"),
        ("00 00", "01 01 01"),
        ("11 22 33 44", "05 11 22 33 44"),
        ("11 00 00 00", "02 11 01 01 01"),
        (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
        (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02 ff"),
        (bytes(range(255)).hex(), "01 ff" + bytes(range(1, 255)).hex()),
    ],
)
def test_byte_stuffing_gives_the_published_bytes(raw, stuffed):
    assert cobs_encode(bytes.fromhex(raw)) == bytes.fromhex(stuffed)
    assert cobs_decode(bytes.fromhex(stuffed)) == bytes.fromhex(raw)


def test_offset_and_delay_follow_rfc_5905():
    # RFC 5905, section 8: theta = ((T2 - T1) + (T3 - T4)) / 2, delta = (T4 - T1) - (T3 - T2).
    # By hand for 100.000, 100.150, 100.160, 100.100 s: (0.150 + 0.060) / 2 = 0.105 and 0.100 - 0.010 = 0.090.
    exchange = Exchange("e661", "9f3a01c2", 1, 100_000_000, 100_150_000, 100_160_000, 100_100_000, 0)
    assert offset_s(exchange) == pytest.approx(0.105, abs=1e-9)
    assert delay_s(exchange) == pytest.approx(0.090, abs=1e-9)
