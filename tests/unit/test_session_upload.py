"""A long setting goes to the unit in parts, as a whole or not at all (docs/protocol.md, section 3)."""

import json
from base64 import b64decode
from binascii import crc32

import pytest

from apexfix.errors import UnitError
from apexfix.session import HostClock, Session

LONG = {"id": "u01-2026-05-01", "accel_matrix": [[1.0123456, 0.0, -0.001]] * 3, "note": "x" * 200}


def talk_to(unit):
    return Session(unit, HostClock(unit.t_us, unit.t_us, unit.elapsed_s))


@pytest.fixture
def uploading(kit):
    """A scripted unit that keeps parts as the protocol says; ``adopted`` is what it took over."""

    class Uploading(kit.FakeUnit):
        have, adopted = b"", None

        def _done(self, tag):
            return [kit.frame("E", tag, bytes(4))]

        def _upload(self, tag, key, length, check):
            return [kit.frame("H", tag, json.dumps({"have": len(self.have)}).encode())]

        def _part(self, tag, offset, text):
            data, offset = b64decode(text), int(offset)
            assert len(data) <= 60
            if offset > len(self.have):
                return [kit.frame("N", tag, b"\x02a gap")]
            self.have = self.have + data[len(self.have) - offset :]
            return self._done(tag)

        def _adopt(self, tag, key, check):
            if f"{crc32(self.have):08X}" != check:
                return [kit.frame("N", tag, b"\x05the CRC-32 differs")]
            self.adopted = key, json.loads(self.have)
            return self._done(tag)

    return Uploading


def test_a_long_setting_arrives_whole(uploading):
    unit = uploading()
    talk_to(unit).upload("calibration", LONG)
    assert unit.adopted == ("calibration", LONG)
    assert all(len(line) < 120 for line in unit.written.split(b"\n"))  # and its end of line: docs/protocol.md, section 1


@pytest.mark.parametrize("nth", [2, 3, 4])
def test_lost_answers_lose_nothing(uploading, nth):
    count = iter(range(1, 1000))
    unit = uploading(mishap=lambda verb, frames: [] if next(count) % nth == 0 else frames)
    talk_to(unit).upload("calibration", LONG)
    assert unit.adopted == ("calibration", LONG)


def test_what_is_on_the_unit_already_is_not_sent_again(uploading):
    unit = uploading()
    unit.have = json.dumps(LONG, separators=(",", ":")).encode()[:120]
    talk_to(unit).upload("calibration", LONG)
    assert unit.adopted == ("calibration", LONG)
    assert ("part", "0") not in {request[:2] for request in unit.requests}


def test_a_refusal_is_told(uploading):
    unit = uploading()
    unit.refused["adopt"] = 2, b"calibration is an object of at most 2200 bytes"
    with pytest.raises(UnitError, match=r"refused 'adopt' \(code 2\): calibration is an object"):
        talk_to(unit).upload("calibration", LONG)
    assert unit.adopted is None
