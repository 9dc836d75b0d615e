"""A setting that is longer than a request, put together from parts in memory. The rules are in docs/protocol.md, section 3."""

from binascii import crc32
from micropython import const

LONGEST = const(2048)  # the boot record carries a calibration and may have 4096 bytes in all


class Upload:
    def __init__(self):
        self._announced = None
        self._data = bytearray()

    def begin(self, key, length, crc):
        """Announce a text; how many of its bytes are here already, from an interrupted attempt."""
        if self._announced != (key, length, crc):
            self._announced = (key, length, crc)
            self._data = bytearray()
        return len(self._data)

    def add(self, offset, data):
        """Take a part that follows what is here; one that is here already is as good. ValueError says what is missing."""
        if self._announced is None:
            raise ValueError("no upload is announced")
        have = len(self._data)
        if offset > have:
            raise ValueError("%d bytes are here, the part begins at %d" % (have, offset))
        if offset + len(data) > self._announced[1]:
            raise ValueError("the part ends at byte %d, announced were %d" % (offset + len(data), self._announced[1]))
        self._data.extend(data[have - offset :])

    def whole(self, key, crc):
        """The text that was announced; ValueError where a part is missing or something differs."""
        if self._announced is None or (key, crc) != (self._announced[0], self._announced[2]):
            raise ValueError("%s with CRC-32 %08X is not what was announced" % (key, crc))
        length = self._announced[1]
        if len(self._data) != length:
            raise ValueError("%d of %d bytes are here" % (len(self._data), length))
        found = crc32(self._data)
        if found != crc:
            self._announced = None  # to be sent again from the beginning
            raise ValueError("the CRC-32 of what is here is %08X, not %08X" % (found, crc))
        return bytes(self._data)
