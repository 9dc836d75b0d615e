"""The verbs of docs/protocol.md, section 3: words in, frames out."""

import json
import struct
from binascii import a2b_base64
from micropython import const

from unit import feedback, records, settings, status, upload, wire

_UNKNOWN_VERB = const(1)
_BAD_ARGUMENT = const(2)
_NO_SUCH_SEGMENT = const(3)
_NOT_NOW = const(4)
_CHECKSUM_DIFFERS = const(5)
_FLASH_ERROR = const(6)

_LONGEST_READ = const(8192)
_PIECE = const(504)
_HIGHEST_FLIGHT = const(9999)


class Refusal(Exception):
    def __init__(self, code, text):
        super().__init__(text)
        self.code = code
        self.text = text


def answer(app, tag, words, read_us):
    """Iterator over the frames that answer a request whose line ended at read_us; what cannot be done becomes a refusal."""
    try:
        verb = VERBS.get(words[0])
        if verb is None:
            raise Refusal(_UNKNOWN_VERB, "unknown verb %s; known are %s" % (words[0], " ".join(sorted(VERBS))))
        function, count, usage = verb
        if len(words) - 1 != count:
            raise Refusal(_BAD_ARGUMENT, "%d arguments, expected: %s %s" % (len(words) - 1, words[0], usage))
        payloads = function(app, words[1:], read_us)
    except Refusal as refusal:
        payloads = ((wire.REFUSAL, bytes((refusal.code,)) + refusal.text.encode()),)
    except OSError as error:
        payloads = ((wire.REFUSAL, bytes((_FLASH_ERROR,)) + ("flash: %s" % error).encode()),)
    return (wire.frame(kind, tag, payload) for kind, payload in payloads)


def _text(value):
    return ((wire.TEXT, status.compact(value)),)


def _end(count=0):
    return ((wire.END, struct.pack("<I", count)),)


def _number(word, low, high, what):
    try:
        value = int(word)
    except ValueError:
        value = low - 1
    if not low <= value <= high:
        raise Refusal(_BAD_ARGUMENT, "%s is %s, expected a whole number from %d to %d" % (what, word, low, high))
    return value


def _crc(word):
    try:
        return int(word, 16)
    except ValueError:
        raise Refusal(_BAD_ARGUMENT, "CRC32 is %s, expected eight hexadecimal digits" % word)


def _when_quiet(app):
    if not app.quiet:
        raise Refusal(_NOT_NOW, "a press is being recorded; ask again in %d s" % (1 + app.presses.wait_us // 1000000))


def _hello(app, _words, _read_us):
    return _text(status.hello(app))


def _clock(app, _words, read_us):
    # A generator, so that t3 is taken when the frame is wanted.
    yield wire.CLOCK, struct.pack("<qqI", read_us, app.clock.now_us(), app.store.boot)


def _status(app, _words, _read_us):
    return _text(status.status(app))


def _config(app, _words, _read_us):
    return _text(status.config(app))


def _segments(app, _words, _read_us):
    store = app.store
    found = [(number, store.size(number), 0 if number == store.number else 1) for number in store.numbers()]
    frames = [(wire.SEGMENT, struct.pack("<IIB", number, size, closed)) for number, size, closed in found]
    return frames + list(_end(len(frames)))


def _size_of(store, number):
    if number not in store.numbers():
        raise Refusal(_NO_SUCH_SEGMENT, "no segment %d in the log" % number)
    return store.size(number)


def _read(app, words, _read_us):
    number = _number(words[0], 1, 99999, "SEGMENT")
    offset = _number(words[1], 0, 0xFFFFFFFF, "OFFSET")
    length = _number(words[2], 0, _LONGEST_READ, "LENGTH")
    size = _size_of(app.store, number)
    if offset > size:
        raise Refusal(_NO_SUCH_SEGMENT, "offset %d is beyond segment %d, which has %d bytes" % (offset, number, size))
    return _pieces(app.store.path(number), number, offset, min(offset + length, size))


def _pieces(path, number, at, stop):
    count = 0
    with open(path, "rb") as file:
        file.seek(at)
        while at < stop:
            data = file.read(min(_PIECE, stop - at))
            if not data:
                break
            yield wire.DATA, struct.pack("<II", number, at) + data
            at += len(data)
            count += 1
    yield wire.END, struct.pack("<I", count)


def _forget(app, words, _read_us):
    number = _number(words[0], 1, 99999, "SEGMENT")
    length = _number(words[1], 0, 0xFFFFFFFF, "LENGTH")
    crc = _crc(words[2])
    _when_quiet(app)
    _size_of(app.store, number)
    if app.store.needs(number):
        raise Refusal(_NOT_NOW, "segment %d is open or carries the log's name; it can be forgotten after the next boot" % number)
    try:
        app.store.forget(number, length, crc)
    except ValueError as differs:
        raise Refusal(_CHECKSUM_DIFFERS, str(differs))
    return _end()


def _flight(app, words, _read_us):
    number = _number(words[0], 1, _HIGHEST_FLIGHT, "NUMBER")
    _when_quiet(app)
    app.change_flight(number, records.NEXT_BY_COMMAND)
    return _end()


def _press(app, words, _read_us):
    kinds = {"mark": records.MARK, "reference": records.REFERENCE}
    if words[0] not in kinds:
        raise Refusal(_BAD_ARGUMENT, "KIND is %s, expected mark or reference" % words[0])
    app.press_by_command(kinds[words[0]])
    return _end()


def _locate(app, _words, _read_us):
    app.feedback.play(feedback.LOCATE)
    return _end()


def _set(app, words, _read_us):
    key, word = words
    try:
        value = json.loads(word)
    except ValueError:
        raise Refusal(_BAD_ARGUMENT, "VALUE is %s, expected JSON without spaces (text in double quotes)" % word)
    return _change(app, key, value)


def _change(app, key, value):
    try:
        wanted = settings.changed(app.wanted, key, value)
    except ValueError as complaint:
        raise Refusal(_BAD_ARGUMENT, str(complaint))
    _when_quiet(app)
    settings.save(wanted)
    app.adopt(wanted)
    return _end()


def _upload(app, words, _read_us):
    length = _number(words[1], 1, upload.LONGEST, "LENGTH")
    return _text({"have": app.upload.begin(words[0], length, _crc(words[2]))})


def _part(app, words, _read_us):
    offset = _number(words[0], 0, upload.LONGEST, "OFFSET")
    try:
        app.upload.add(offset, a2b_base64(words[1]))
    except ValueError as wrong:
        raise Refusal(_BAD_ARGUMENT, str(wrong))
    return _end()


def _adopt(app, words, _read_us):
    try:
        text = app.upload.whole(words[0], _crc(words[1]))
    except ValueError as differs:
        raise Refusal(_CHECKSUM_DIFFERS, str(differs))
    try:
        value = json.loads(text)
    except ValueError:
        raise Refusal(_BAD_ARGUMENT, "the %d bytes of %s are not JSON" % (len(text), words[0]))
    return _change(app, words[0], value)


# verb: (function, number of arguments, usage)
VERBS = {
    "hello": (_hello, 0, ""),
    "clock": (_clock, 0, ""),
    "status": (_status, 0, ""),
    "segments": (_segments, 0, ""),
    "read": (_read, 3, "SEGMENT OFFSET LENGTH"),
    "forget": (_forget, 3, "SEGMENT LENGTH CRC32"),
    "flight": (_flight, 1, "NUMBER"),
    "press": (_press, 1, "KIND"),
    "locate": (_locate, 0, ""),
    "config": (_config, 0, ""),
    "set": (_set, 2, "KEY VALUE"),
    "upload": (_upload, 3, "KEY LENGTH CRC32"),
    "part": (_part, 2, "OFFSET BASE64"),
    "adopt": (_adopt, 2, "KEY CRC32"),
}
