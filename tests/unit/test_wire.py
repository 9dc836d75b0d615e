import json
import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apexfix.wire import (
    LONGEST_LINE,
    ClockReply,
    Data,
    End,
    Noise,
    Prompt,
    Receiver,
    Refusal,
    SegmentEntry,
    Text,
    cobs_decode,
    cobs_encode,
    encode_request,
)


@pytest.fixture(scope="module")
def talk(kit):
    """Everything that can come over a line, and the events it means."""
    frames = [
        (kit.frame("H", 1, json.dumps({"unit": "ü", "n": 1}).encode()), Text(1, {"unit": "ü", "n": 1})),
        (kit.frame("C", 255, struct.pack("<qqI", -5, 1 << 40, 9)), ClockReply(255, -5, 1 << 40, 9)),
        (kit.frame("S", 0, struct.pack("<IIB", 4, 65536, 1)), SegmentEntry(0, 4, 65536, closed=True)),
        (kit.frame("D", 3, struct.pack("<II", 4, 504) + bytes(504)), Data(3, 4, 504, bytes(504))),
        (kit.frame("D", 4, struct.pack("<II", 4, 0) + b"\r\n>>> " * 80), Data(4, 4, 0, b"\r\n>>> " * 80)),
        (kit.frame("E", 3, struct.pack("<I", 17)), End(3, 17)),
        (kit.frame("N", 3, b"\x02bad\x1b[2J"), Refusal(3, 2, "bad\ufffd[2J")),
    ]
    return b"banner\r\n" + b"".join(raw for raw, _ in frames), [Noise("banner\r\n"), *(event for _, event in frames)]


def test_every_frame_becomes_its_event(talk):
    assert list(Receiver().feed(talk[0])) == talk[1]


@given(cuts=st.lists(st.integers(0, 1400)))
def test_any_chunking_gives_the_same_events(talk, cuts):
    line, events = talk
    receiver, places = Receiver(), [0, *sorted(min(cut, len(line)) for cut in cuts), len(line)]
    assert [event for a, b in pairwise(places) for event in receiver.feed(line[a:b])] == events


@given(noise=st.binary(max_size=3000), cuts=st.lists(st.integers(0, 3000)))
def test_any_chunking_of_any_bytes_gives_the_same_events(noise, cuts):
    receiver, places = Receiver(), [0, *sorted(min(cut, len(noise)) for cut in cuts), len(noise)]
    pieces = [event for a, b in pairwise(places) for event in receiver.feed(noise[a:b])]
    assert pieces == list(Receiver().feed(noise))


@given(data=st.data())
def test_damage_never_makes_an_event_that_was_not_sent(talk, data):
    line, events = bytearray(talk[0]), talk[1]
    for _ in range(data.draw(st.integers(1, 8))):
        at = data.draw(st.integers(0, len(line) - 1))
        line[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    heard = [event for event in Receiver().feed(bytes(line)) if not isinstance(event, Noise | Prompt)]
    assert all(event in events for event in heard)


def test_a_frame_after_a_flood_is_still_understood(kit):
    receiver = Receiver()
    for _ in range(200):
        assert all(isinstance(event, Noise) for event in receiver.feed(b"\xff" * 4096 + b"x" * 4096))
        assert len(receiver._pending) <= 522  # 518 bytes of body, 3 of stuffing, 1 that shows it to be too long
    assert list(receiver.feed(kit.frame("E", 1, bytes(4))))[-1] == End(1, 0)


@pytest.mark.parametrize("payload", [b"[1]", b"\xff", b"{", b'{"a":' * 80, b"12"])
def test_a_text_that_is_no_json_object_is_noise(kit, payload):
    assert all(isinstance(event, Noise) for event in Receiver().feed(kit.frame("H", 1, payload)))


@pytest.mark.parametrize(("kind", "size"), [("C", 19), ("C", 21), ("S", 8), ("D", 8), ("D", 3), ("E", 5), ("N", 0), ("Z", 4)])
def test_a_frame_of_the_wrong_size_or_kind_is_noise(kit, kind, size):
    assert all(isinstance(event, Noise) for event in Receiver().feed(kit.frame(kind, 1, bytes(size))))


def test_a_prompt_is_told_at_once():
    assert list(Receiver().feed(b"MicroPython v1.22\r\n>>> ")) == [Prompt()]
    assert list(Receiver().feed(b"a >>> b")) == []


@given(raw=st.binary(max_size=1200))
def test_stuffing_is_undone_and_leaves_no_zero(raw):
    assert 0 not in cobs_encode(raw)
    assert cobs_decode(cobs_encode(raw)) == raw


@pytest.mark.parametrize("stuffed", ["00", "03 11", "02 00", "05 11 22 00 44"])
def test_what_was_never_stuffed_is_refused(stuffed):
    with pytest.raises(ValueError, match="does not fit"):
        cobs_decode(bytes.fromhex(stuffed))


@pytest.mark.parametrize("words", [("set", "a b"), ("set", ""), ("set", "\x03"), ("set", "~"), ("set", "x" * LONGEST_LINE)])
def test_words_that_cannot_be_sent_are_refused(words):
    with pytest.raises(ValueError, match=r"cannot be sent|a line holds"):
        encode_request(1, *words)


def test_a_tag_is_one_byte():
    with pytest.raises(ValueError, match="0-255"):
        encode_request(256, "hello")
