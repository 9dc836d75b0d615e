"""The append-only log on the flash: segments in a folder. Layout and rules: docs/protocol.md, section 4.

Every segment begins with a boot record, so that it can be read alone and survives when older ones are forgotten.
"""

import json
import os
from binascii import crc32, hexlify
from micropython import const

from unit import records
from unit.segment import records_of

_LONGEST_SEGMENT = const(65536)
_CHUNK = const(512)
_RESERVE = const(24576)  # kept for presses without their windows and the boot records of a few restarts


class Store:
    def __init__(self, folder="log"):
        self._folder = folder
        self._file = None
        self._length = 0
        self.number = 0  # of the open segment, or of the last one
        self.flushed = 0  # bytes of the open segment that a reader can have
        self.sequence = 0  # of the next record
        self.log = ""
        self.boot = 0
        self.flight = 1
        self.marked = False  # a mark was made since the flight number last changed
        self._named = 0  # the newest segment with a boot record: it carries the log's name
        self.describe = None  # gives the payload of a boot record; set before the first append

    def restore(self):
        """Find out where the log ended and what boot this is. OSError where the flash cannot be read."""
        try:
            os.mkdir(self._folder)
        except OSError:
            os.stat(self._folder)  # it was there, or this raises what is really wrong
        numbers = self.numbers()
        if numbers:
            self.number = numbers[-1]
        try:
            history = self._since_last_boot_record(numbers)
        except OSError:  # a segment that cannot be read: what numbers it gave is unknown, so a log of another name begins
            history = []
            self.sequence = 0
        for events in reversed(history):
            for kind, payload in events:
                self._replay(kind, payload)
        if not self.log:
            self.log = hexlify(os.urandom(4)).decode()
        self.boot += 1

    def numbers(self):
        """Numbers of all segments, oldest first."""
        found = []
        for name in os.listdir(self._folder):
            if len(name) == 9 and name.endswith(".seg"):
                try:
                    found.append(int(name[:5]))
                except ValueError:
                    pass  # somebody else's file
        return sorted(found)

    def size(self, number):
        """Bytes of a segment that a reader can have; OSError where there is none."""
        return self.flushed if self._is_open(number) else os.stat(self.path(number))[6]

    def path(self, number):
        return "%s/%05d.seg" % (self._folder, number)

    @property
    def begun(self):
        """Whether this boot has its segment."""
        return self._file is not None

    def needs(self, number):
        """Whether a segment must stay: the open one, and the one that carries the log's name as long as there is no newer boot record."""
        return number in (self.number, self._named)

    def _is_open(self, number):
        return self._file is not None and number == self.number

    def append(self, kind, payload):
        """Write one record, give back its sequence number. OSError where the flash refuses; the next one begins a new segment."""
        if not self.log:
            self.restore()  # it failed at start-up; writing blindly could hit what is there
        if self._file is None or self._length + len(payload) + records.OVERHEAD > _LONGEST_SEGMENT:
            self._begin()
        return self._write(kind, payload)

    def reserve(self, length):
        """Begin a new segment if what comes next would be split over two."""
        if self._file is not None and self._length + length > _LONGEST_SEGMENT and length < _LONGEST_SEGMENT // 2:
            self._begin()

    def flush(self):
        """Bring everything written so far onto the flash."""
        if self._file is not None:
            try:
                self._file.flush()
            except OSError:
                self.close()  # what a failed write left behind is never appended to
                raise
            self.flushed = self._length

    def close(self):
        if self._file is not None:
            file, self._file = self._file, None
            file.close()

    def forget(self, number, length, crc):
        """Erase a closed segment of exactly this content; ValueError says what differs."""
        if self.needs(number):
            raise ValueError("segment %d is open, or the only one with a boot record" % number)
        size = os.stat(self.path(number))[6]
        if size != length:
            raise ValueError("segment %d has %d bytes, not %d" % (number, size, length))
        found = self._crc(number)
        if found != crc:
            raise ValueError("segment %d has CRC-32 %08X, not %08X" % (number, found, crc))
        os.remove(self.path(number))

    def free_bytes(self):
        status = os.statvfs(self._folder)
        return status[0] * status[3]

    def room(self):
        """Bytes that may be written without touching the reserve; negative inside it."""
        return self.free_bytes() - _RESERVE

    def _begin(self):
        self.close()
        number = self.number + 1
        self._file = open(self.path(number), "wb")
        self._length = 0
        self.flushed = 0
        try:
            self._write(records.BOOT, self.describe())
            self.flush()
        except OSError:
            os.remove(self.path(number))  # on a full flash a file without a record would only take space
            raise
        self.number = self._named = number

    def _write(self, kind, payload):
        data = records.record(kind, self.sequence, payload)
        try:
            self._file.write(data)
        except OSError:
            self.close()
            raise
        self._length += len(data)
        self.sequence += 1
        return self.sequence - 1

    def _crc(self, number):
        crc = 0
        with open(self.path(number), "rb") as file:
            while True:
                chunk = file.read(_CHUNK)
                if not chunk:
                    return crc
                crc = crc32(chunk, crc)

    def _since_last_boot_record(self, numbers):
        """What changed the state, newest segment first, back to one that holds a boot record."""
        found = []
        for number in reversed(numbers):
            events = []
            for kind, sequence, payload in records_of(self.path(number)):
                self.sequence = max(self.sequence, sequence + 1)
                if kind in (records.BOOT, records.PRESS, records.FLIGHT):
                    events.append((kind, payload))
            found.append(events)
            if any(kind == records.BOOT for kind, _ in events):
                self._named = number
                break
        return found

    def _replay(self, kind, payload):
        if kind == records.BOOT:
            said = json.loads(payload)
            self.log, self.boot, self.flight = said["log"], said["boot"], said["flight"]
            self.marked = said.get("marked", False)
        elif kind == records.FLIGHT:
            self.flight = records.flight_after(payload)
            self.marked = False
        elif records.is_mark_of(payload, self.flight):
            self.marked = True
