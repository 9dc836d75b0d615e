import os
import threading

import pytest

from apexfix.errors import UnitError
from apexfix.link import candidate_ports, find_units, open_port

pty = pytest.importorskip("pty", reason="pseudo-terminals are of Linux and macOS")
tty = pytest.importorskip("tty")
fcntl = pytest.importorskip("fcntl")


@pytest.fixture
def terminal():
    """A pseudo-terminal: (our end, the path of the other)."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def test_a_pseudo_terminal_can_be_opened_read_and_written(terminal):
    ours, path = terminal
    with open_port(path) as line:
        line.write(b"~1 hello*0000\n")
        assert os.read(ours, 100) == b"~1 hello*0000\n"
        os.write(ours, bytes(range(256)))
        received = b""
        while len(received) < 256:
            piece = line.read(64)
            assert 0 < len(piece) <= 64
            received += piece
        assert received == bytes(range(256))


def test_a_silent_port_gives_no_bytes(terminal):
    with open_port(terminal[1]) as line:
        assert line.read(100) == b""


def test_a_port_is_ours_alone(terminal):
    with open_port(terminal[1]), pytest.raises(UnitError, match="no other program"), open_port(terminal[1]):
        pass


def test_a_port_that_somebody_lets_go_of_at_once_is_waited_for(terminal):
    _, path = terminal
    held = os.open(path, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(held, fcntl.LOCK_EX)
    threading.Timer(0.2, os.close, (held,)).start()
    with open_port(path) as line:
        line.write(b"~")


def test_a_url_is_a_port_too():
    with open_port("loop://") as line:
        line.write(b"abc")
        assert line.read(10) == b"abc"


@pytest.mark.parametrize("name", ["/dev/no-such-port", "nonsense://x"])
def test_a_port_that_is_not_there_is_named(name):
    with pytest.raises(UnitError, match=f"port {name}: "), open_port(name):
        pass


def test_ports_are_asked_at_the_same_time_and_a_bad_one_does_not_matter(terminal):
    together = threading.Barrier(2, timeout=10)

    def ask(line):
        together.wait()  # passes only while both ports are being asked
        return "here"

    found = find_units(["loop://", "/dev/no-such-port", terminal[1]], ask)
    assert [item.port for item in found] == ["loop://", "/dev/no-such-port", terminal[1]]
    assert [item.answer for item in found if not isinstance(item.answer, UnitError)] == ["here", "here"]
    assert isinstance(found[1].answer, UnitError)


def test_no_ports_are_no_units():
    assert find_units([], lambda line: 1) == ()
    assert isinstance(candidate_ports(), tuple)
