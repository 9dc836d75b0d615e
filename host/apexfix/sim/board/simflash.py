"""Flash that takes its time: files opened for writing stop the unit as long as the board's flash would (MicroPython).

Interrupts are off during an erase, so timer ticks and edges that fall into it run at its end.
"""

import builtins
import io

from simworld import real_open, world

ERASE_BLOCK = 4096
ERASE_US = 45_000  # typical 4 KiB erase; the data sheet allows 400 ms (W25Q16JV rev F, as an open project quotes it)
FLUSH_US = 1_200  # a few 256-byte page programs at 0.4 ms each, typical; 3 ms at most (same source)


class FlashFile(io.IOBase):
    """A file whose writing costs the time that the board's flash takes."""

    def __init__(self, file):
        self._file = file
        self._pending = 0
        self._in_block = 0

    def write(self, data):
        self._pending += len(data)
        self._in_block += len(data)
        written = self._file.write(data)
        while self._in_block >= ERASE_BLOCK:
            self._in_block -= ERASE_BLOCK
            world.stall(ERASE_US)
        return written

    def readinto(self, buffer):
        return self._file.readinto(buffer)

    def read(self, *size):
        return self._file.read(*size)

    def seek(self, *place):
        return self._file.seek(*place)

    def tell(self):
        return self._file.tell()

    def flush(self):
        if self._pending:
            self._pending = 0
            world.stall(FLUSH_US)
        self._file.flush()

    def close(self):
        self.flush()
        self._file.close()

    def ioctl(self, request, argument):
        if request == 1:
            self.flush()
        return 0

    def __enter__(self):
        return self

    def __exit__(self, *exception):
        self.close()


def _flash_open(path, mode="r", *rest):
    file = real_open(path, mode, *rest)
    return FlashFile(file) if "w" in mode or "a" in mode or "+" in mode else file


builtins.open = _flash_open
