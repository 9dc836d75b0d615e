"""Reads the records of one segment file, passing over what is damaged."""

from micropython import const

from unit import records

_LOOK = const(256)


def records_of(path):
    """Yield (kind, sequence, payload) of every record that checks, in order."""
    with open(path, "rb") as file:
        at = 0
        while True:
            file.seek(at)
            head = file.read(records.HEADER)
            if len(head) < records.HEADER:
                return
            found = _whole(head, file)
            if found:
                yield found
                at += records.OVERHEAD + len(found[2])
            else:
                at = _next_start(file, at + 1)


def _whole(head, file):
    try:
        kind, _, length, sequence = records.header(head)
    except ValueError:
        return ()
    payload = file.read(length)
    tail = file.read(4)
    if len(tail) < 4 or not records.checks(head, payload, tail):
        return ()
    return (kind, sequence, payload)


def _next_start(file, at):
    while True:
        file.seek(at)
        chunk = file.read(_LOOK)
        found = chunk.find(b"AX")
        if found >= 0:
            return at + found
        if len(chunk) < _LOOK:
            return at + len(chunk)
        at += _LOOK - 1
