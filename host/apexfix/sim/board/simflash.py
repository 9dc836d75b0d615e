"""Flash that takes its time: files opened for writing stop the unit as long as the board's flash would (MicroPython).

Interrupts are off during an erase and during a page program, so timer ticks and edges that fall into one run at its end. What the
board's file system does was counted on the real one over a model of the chip: the first write after a flush copies the block that it
goes on with into a fresh one, every block begun is erased, and one flush in thirteen erases a block of the directory.
"""

import builtins
import io

from simworld import real_open, scenario, world

BLOCK = 4096
PAGE = 256
ERASE_US = scenario["erase_us"]
PAGE_US = 400  # typical page program; 3 ms at most (W25Q16JV rev F, as an open project quotes it)
FLUSH_PAGES = 2
FLUSHES_PER_ERASE = 13


class _Directory:
    flushes = 0


def _program(pages):
    for _ in range(pages):
        world.stall(PAGE_US)


class FlashFile(io.IOBase):
    """A file whose writing costs the time that the board's flash takes."""

    def __init__(self, file):
        self._file = file
        self._in_block = 0
        self._fresh = False  # the block that is written to is this file's alone: nothing flushed is in it

    def write(self, data):
        if not self._fresh:
            self._fresh = True
            world.stall(ERASE_US)
            _program(-(-self._in_block // PAGE))
        self._in_block += len(data)
        while self._in_block > BLOCK:
            self._in_block -= BLOCK
            world.stall(ERASE_US)
        _program(-(-len(data) // PAGE))
        return self._file.write(data)

    def readinto(self, buffer):
        return self._file.readinto(buffer)

    def read(self, *size):
        return self._file.read(*size)

    def seek(self, *place):
        return self._file.seek(*place)

    def tell(self):
        return self._file.tell()

    def flush(self):
        if self._fresh:
            self._fresh = False
            _program(FLUSH_PAGES)
            _Directory.flushes += 1
            if _Directory.flushes % FLUSHES_PER_ERASE == 0:
                world.stall(ERASE_US)
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
