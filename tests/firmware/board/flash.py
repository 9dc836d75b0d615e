"""A flash chip in memory that keeps the rules of the real one, remembers what was done to it, so that it can be made as it was at any instant (MicroPython).

Erasing sets a block to ones, programming clears bits, a page at a time, of what was erased. The file system on it is the board's own.
What a power cut leaves is what was done so far, and a part of the step that was under way.
"""

import os

BLOCK = 4096
PAGE = 256  # the board's file system programs whole pages
ERASE = "erase"
PROGRAM = "program"
FOLDER = "/flash"


class Flash:
    def __init__(self, blocks, image=None):
        self.content = bytearray(image) if image else bytearray(b"\xff" * (blocks * BLOCK))
        self.steps = []  # (ERASE, address, length) or (PROGRAM, address, data), in order

    def readblocks(self, number, buffer, offset=0):
        at = number * BLOCK + offset
        buffer[:] = self.content[at : at + len(buffer)]

    def writeblocks(self, number, data, offset=0):
        at = number * BLOCK + offset
        if self.content[at : at + len(data)] != b"\xff" * len(data):
            raise ValueError("byte %d is programmed without having been erased" % at)
        self._do((PROGRAM, at, bytes(data)))

    def ioctl(self, request, argument):
        if request == 4:
            return len(self.content) // BLOCK
        if request == 5:
            return BLOCK
        if request == 6:
            self._do((ERASE, argument * BLOCK, BLOCK))
        return 0

    def _do(self, step):
        self.steps.append(step)
        done(self.content, step, size(step))


def size(step):
    return step[2] if step[0] == ERASE else len(step[2])


def done(content, step, count):
    """Do the first `count` bytes of a step."""
    kind, at, what = step
    content[at : at + count] = b"\xff" * count if kind == ERASE else what[:count]


def half_erased(content, step):
    """An erase that stopped with every other bit still as it was."""
    at = step[1]
    for i in range(at, at + step[2]):
        content[i] |= 0x55 if i & 1 else 0xAA


def insert(flash):
    """Make a flash the unit's, formatted if it never was; what was in before is pulled out."""
    if FOLDER[1:] in os.listdir("/"):
        os.chdir("/")
        os.umount(FOLDER)
    try:
        system = os.VfsLfs2(flash, progsize=PAGE)
    except OSError:
        os.VfsLfs2.mkfs(flash, progsize=PAGE)
        system = os.VfsLfs2(flash, progsize=PAGE)
    os.mount(system, FOLDER)
    os.chdir(FOLDER)
