"""A unit whose power fails (MicroPython): days of the whole firmware, the flash as it was after every step, and what must still be true.

Run as a program it prints one JSON line: `micropython power.py EVERY PLACES`: every so many steps are cut, each at so many places; what is
left is booted, checked and used, and the same once more after the power has failed in that boot, too.
"""

import gc
import json
import os
import sys
from binascii import b2a_base64, crc32

import desk
import flash
import machine
from unit import commands, feedback, records, settings
from unit.app import App
from unit.segment import records_of

S = 1_000_000
BLOCKS = 48
SHORT = {"before_ms": 200, "after_ms": 100, "reference_before_ms": 100, "reference_after_ms": 50, "buzzer": False}
CALIBRATION = json.dumps({"id": "x" * 30, "accel_matrix": [[1.0012, 0.0123, -0.0456]] * 3, "tube_body": [1, 0, 0]}).encode()


class Witness:
    """What the outside world was promised, and after which step of the flash."""

    def __init__(self):
        self.promises = []  # (steps done, {sequence: (kind, payload)}, settings, segments forgotten)
        self.appended = {}
        self.flushed = {}
        self.forgotten = set()
        self.log = ""

    def watch(self, app, chip):
        """Listen to a unit: what it has flushed is promised, and a press that it calls saved must be among it."""
        append, flush, play = app.store.append, app.store.flush, app.feedback.play

        def appending(kind, payload):
            sequence = append(kind, payload)
            self.appended[sequence] = (kind, bytes(payload))
            return sequence

        def flushing():
            flush()
            self.flushed = dict(self.appended)
            self.promise(app, chip)

        def playing(pattern):
            if pattern is feedback.SAVED:
                assert self.flushed == self.appended, "saved is said of what is not flushed"
            play(pattern)

        app.store.append, app.store.flush, app.feedback.play = appending, flushing, playing
        self.learn(app, chip)

    def learn(self, app, chip):
        """What the log holds is promised."""
        self.log = app.store.log
        for number in app.store.numbers():
            for kind, sequence, payload in records_of(app.store.path(number)):
                self.appended[sequence] = (kind, payload)
        self.flushed = dict(self.appended)
        self.promise(app, chip)

    def promise(self, app, chip):
        self.promises.append((len(chip.steps), dict(self.flushed), dict(app.wanted), set(self.forgotten)))

    def promised_after(self, steps):
        """The last promise given when so many steps were done, and the next one, which may be half kept."""
        last = max(i for i, promise in enumerate(self.promises) if promise[0] <= steps)
        return self.promises[last], self.promises[min(last + 1, len(self.promises) - 1)]


def boot(chip):
    """Switch a unit on."""
    flash.insert(chip)
    machine.Timer.all.clear()
    desk.rest()
    return App()


def ask(app, line):
    return desk.bodies(commands.answer(app, 1, line.split(" "), app.clock.now_us()))


def granted(app, line):
    assert ask(app, line)[-1][0] == 0x45, (line, ask(app, line))


def pressed(app, kind):
    granted(app, "press " + kind)
    until_saved(app)


def put(app, key, text):
    """Upload a setting that is longer than a request."""
    ask(app, "upload %s %d %08X" % (key, len(text), crc32(text)))
    for at in range(0, len(text), 60):
        granted(app, "part %d %s" % (at, b2a_base64(text[at : at + 60]).decode().strip()))
    granted(app, "adopt %s %08X" % (key, crc32(text)))


def until_saved(app):
    for _ in range(5000):
        if not app.turn():
            machine.advance(2000)
        if not app.presses.unsaved and not app.presses.waiting:
            return
    raise AssertionError("a press is not saved within ten seconds")


def busy(chip, witness):
    """Two boots: presses, flight numbers, settings, a segment that is full, one that is forgotten."""
    app = boot(chip)
    witness.watch(app, chip)
    desk.spend(app, S // 2, 2000)
    pressed(app, "reference")
    pressed(app, "mark")
    granted(app, 'set unit "u42"')
    witness.promise(app, chip)
    granted(app, "flight 17")
    desk.spend(app, S // 10, 2000)
    for number in range(15):
        app.store.append(records.NOTE, records.note(number, 1, chr(65 + number) * 4000))
    app.store.flush()
    pressed(app, "mark")
    pressed(app, "reference")
    for number in range(2):
        app.store.append(records.NOTE, records.note(number, 1, chr(97 + number) * 2000))
    app.store.flush()
    granted(app, "set before_ms 300")
    witness.promise(app, chip)
    put(app, "calibration", CALIBRATION)
    witness.promise(app, chip)
    pressed(app, "mark")
    app.stop()
    app = boot(chip)
    witness.watch(app, chip)
    for number in app.store.numbers()[:-1]:
        forgotten(app, chip, witness, number)
    pressed(app, "mark")
    app.stop()


def forgotten(app, chip, witness, number):
    """Erase a segment, as a host does that holds every byte of it."""
    with open(app.store.path(number), "rb") as file:
        content = file.read()
    witness.forgotten.add(number)  # from here on it may be gone
    witness.promise(app, chip)
    granted(app, "forget %d %d %08X" % (number, len(content), crc32(content)))
    for _, sequence, _ in desk_records(content):
        witness.appended.pop(sequence)
    witness.flushed = dict(witness.appended)
    witness.promise(app, chip)


def filled(app):
    """Leave a place for a few more windows, beyond the reserve."""
    for _ in range(BLOCKS):
        if app.store.room() > 5 * flash.BLOCK:
            app.store.append(records.NOTE, records.note(0, 1, "f" * 4000))
            app.store.flush()


def crowded(chip, witness):
    """A flash that is full but for the reserve: presses with and without a window, settings, a restart, room made by forgetting."""
    app = boot(chip)
    witness.watch(app, chip)
    desk.spend(app, S // 2, 2000)
    for _ in range(40):
        if not app.last_error:
            pressed(app, "mark")
    assert "no window" in app.last_error, "a flash that is full is not told"
    granted(app, "set before_ms 300")
    witness.promise(app, chip)
    for _ in range(3):
        app.stop()
        app = boot(chip)
        witness.watch(app, chip)
        pressed(app, "mark")
        assert not app.presses.failed, "a press finds no place in the reserve"
    forgotten(app, chip, witness, app.store.numbers()[0])
    assert app.store.room() > 0
    desk.spend(app, S // 2, 2000)
    pressed(app, "mark")
    app.stop()


def desk_records(content):
    """(kind, sequence, payload) of a whole segment, read by the book."""
    at = 0
    while at < len(content):
        length = content[at + 4] | content[at + 5] << 8
        yield content[at + 2], int.from_bytes(content[at + 6 : at + 10], "little"), content[at + 10 : at + 10 + length]
        at += 14 + length


def held(store):
    """{sequence: (kind, payload)} of all that can be read; a sequence number must not be there twice."""
    found = {}
    before = -1
    for number in store.numbers():
        for kind, sequence, payload in records_of(store.path(number)):
            assert sequence not in found, "sequence %d is there twice" % sequence
            assert sequence > before, "sequence %d comes after %d" % (sequence, before)
            before = sequence
            found[sequence] = (kind, payload)
    return found


def check(chip, witness, steps):
    """Boot a unit on what the cut left, compare with what was promised, press once more."""
    app = boot(chip)
    try:
        _compare(app, witness.promised_after(steps), witness.log)
    finally:
        app.stop()  # a file left open would be written to when it is collected as garbage


def _compare(app, promises, log):
    (_, promised, wanted, _), (_, next_promised, next_wanted, forgotten) = promises
    assert app.store.log == log or not promised, "the log has lost its name"
    assert app.wanted in (wanted, next_wanted), "settings are neither the old nor the new"
    kept = held(app.store)
    for sequence, record in promised.items():
        if sequence not in kept:
            assert forgotten and sequence not in next_promised, "confirmed record %d is lost" % sequence
        else:
            assert kept[sequence] == record, "confirmed record %d has changed" % sequence
    known = [json.loads(payload)["boot"] for kind, payload in promised.values() if kind == records.BOOT]
    assert app.store.boot > max(known + [0]), "boot %d is told twice" % app.store.boot
    pressed(app, "mark")
    after = held(app.store)
    assert all(after[sequence] == record for sequence, record in kept.items()), "a number was given twice"
    assert any(kind == records.PRESS and sequence not in kept for sequence, (kind, _) in after.items()), "the log does not go on"


def images(before, step, places):
    """Every flash that a cut inside a step can leave, the untouched one first; None for one that is like the one before it."""
    left = None
    for place in range(places):
        torn = bytearray(before)
        flash.done(torn, step, flash.size(step) * place // places)
        yield None if torn == left else torn
        left = torn
    if step[0] == flash.ERASE:
        torn = bytearray(before)
        flash.half_erased(torn, step)
        yield None if torn == left else torn


class Campaign:
    def __init__(self, every, places):
        self.every = every
        self.places = places
        self.cuts = 0
        self.alike = 0  # places where a cut leaves what the one before it left: not tried again
        self.failures = []

    def first_boot(self):
        """A formatted flash that has never been a unit's: nothing is promised yet."""
        virgin = flash.Flash(BLOCKS)
        flash.insert(virgin)
        origin = bytes(virgin.content)
        chip = flash.Flash(BLOCKS, origin)
        boot(chip).stop()
        witness = Witness()
        witness.promises.append((0, {}, settings.defaults(), set()))
        return self._cut(origin, chip.steps, witness)

    def day(self, course, prepared=lambda app: None):
        """A unit with a log, through the whole course of a day."""
        chip = flash.Flash(BLOCKS)
        flash.insert(chip)
        settings.save(dict(settings.defaults(), **SHORT))
        app = boot(chip)
        prepared(app)
        app.stop()
        origin = bytes(chip.content)
        chip = flash.Flash(BLOCKS, origin)
        witness = Witness()
        witness.learn(app, chip)
        try:
            course(chip, witness)
        except (AssertionError, OSError) as failure:
            self.failures.append("without any cut: %s" % failure)
        return self._cut(origin, chip.steps, witness)

    def _cut(self, origin, steps, witness):
        content = bytearray(origin)
        for number, step in enumerate(steps):
            if number % self.every == 0:
                for image in images(content, step, self.places):
                    if image is None:
                        self.alike += 1
                    else:
                        self._try(image, witness, number)
            flash.done(content, step, flash.size(step))
        return len(steps)

    def _try(self, image, witness, steps):
        try:
            check(flash.Flash(BLOCKS, image), witness, steps)
            again = flash.Flash(BLOCKS, image)
            boot(again).stop()
            check(flash.Flash(BLOCKS, self._torn(image, again.steps)), witness, steps)
        except Exception as failure:
            self.failures.append("step %d, cut %d: %s" % (steps, self.cuts, failure))
            if len(self.failures) == 1:
                sys.print_exception(failure, sys.stderr)
        self.cuts += 2
        if self.cuts % 200 == 0:
            sys.stderr.write("%d cuts, step %d of its day, %d broken\n" % (self.cuts, steps, len(self.failures)))
        gc.collect()

    def _torn(self, image, steps):
        """The image after a cut in one of these steps, each time another one."""
        content = bytearray(image)
        last = self.cuts // 2 % len(steps)
        for step in steps[:last]:
            flash.done(content, step, flash.size(step))
        flash.done(content, steps[last], flash.size(steps[last]) * (self.cuts % 5) // 5)
        return content


def main():
    campaign = Campaign(int(sys.argv[1]), int(sys.argv[2]))
    steps = campaign.first_boot() + campaign.day(busy) + campaign.day(crowded, filled)
    print(json.dumps({"steps": steps, "cuts": campaign.cuts, "alike": campaign.alike, "failures": campaign.failures}))


if __name__ == "__main__":
    main()
