"""The serial port: bytes in without waiting, an answer out in small pieces while the host takes them."""

import select
import sys
from micropython import const
from time import ticks_diff, ticks_ms

_PIECE = const(64)
_PATIENCE_MS = const(250)


class Console:
    def __init__(self):
        self._in = select.poll()
        self._in.register(sys.stdin, select.POLLIN)
        self._out = select.poll()
        self._out.register(sys.stdout, select.POLLOUT)
        self._frames = None  # what is left of the answer: an iterator of whole frames
        self._frame = b""
        self._at = 0
        self._stalled_ms = 0
        self._asked_ms = 0

    @property
    def answering(self):
        return self._frames is not None

    def byte(self):
        """The next byte from the host, -1 where none is waiting."""
        for _, event in self._in.poll(0):
            if event & select.POLLIN:
                try:
                    got = sys.stdin.buffer.read(1)
                except OSError:  # the other end has gone; it may come back
                    return -1
                return got[0] if got else -1
        return -1

    def answer(self, frames):
        """Begin to send; frames are made one at a time, as the host takes them."""
        self._frames = frames
        self._frame = b""
        self._at = 0
        self._stalled_ms = 0
        self._asked_ms = ticks_ms()

    def abandon(self):
        self._frames = None
        self._frame = b""
        self._at = 0

    def send(self):
        """Write at most one frame's worth. Returns True if anything went out."""
        if self._frames is None or (self._at == len(self._frame) and not self._next_frame()):
            return False
        sent = False
        while self._at < len(self._frame):
            if not self._ready():
                return sent
            try:
                wrote = sys.stdout.buffer.write(self._frame[self._at : self._at + _PIECE])
            except OSError:  # nobody there
                self.abandon()
                return sent
            self._at += wrote or 0
            sent = True
        return sent

    def _next_frame(self):
        try:
            self._frame = next(self._frames)
            self._at = 0
            self._asked_ms = ticks_ms()
            return True
        except StopIteration:
            self.abandon()
            return False

    def _ready(self):
        now = ticks_ms()
        for _, event in self._out.poll(0):
            if event & select.POLLOUT:
                self._asked_ms = now
                return True
        # A host that does not read costs the answer, never a sample.
        self._stalled_ms += ticks_diff(now, self._asked_ms)
        self._asked_ms = now
        if self._stalled_ms > _PATIENCE_MS:
            self.abandon()
        return False
