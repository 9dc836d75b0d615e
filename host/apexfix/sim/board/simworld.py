"""The world around one simulated unit: its clock, its buttons, the passing of time (MicroPython; stands in for the board).

All times are integers: world time in microseconds UTC, unit time in microseconds since power-on. Nothing that runs inside a handler
allocates, so a handler of the firmware that allocates fails here as it would in a hard interrupt on the board.
"""

import json
import micropython
import os
import select
import sys
import utime as real  # the interpreter's own clock: the leading u passes by the stand-in time.py
from array import array
from builtins import open as real_open  # simflash.py replaces the built-in one

NEVER = 1 << 61
TICKS_MASK = (1 << 30) - 1  # ticks wrap at 2**30 on the board: 17.9 minutes of microseconds
PINS = 32
TICKS_CALL_US = 2


class World:
    """Time, pace and what is due."""

    def __init__(self, scenario):
        self.serial = bytes(int(scenario["serial"][i : i + 2], 16) for i in range(0, len(scenario["serial"]), 2))
        self.supply_mv = scenario["supply_mv"]
        self.boot_us = scenario["boot_us"]
        self.ticks_start_us = scenario["ticks_start_us"]
        self.rate_error_ppb = scenario["rate_error_ppb"]
        self.now_us = self.boot_us
        self._plan_edges(scenario["edges"])
        self.levels = bytearray([1] * PINS)  # pulled up
        for pin in scenario.get("low", ()):
            self.levels[pin] = 0
        self.handlers = [None] * PINS
        self.triggers = [0] * PINS
        self.pins = [None] * PINS
        self.timers = []
        self.tick_us = NEVER
        self.in_edge = False
        self.in_tick = False
        self.failure = None
        self.live = False
        self.limit_us = self.boot_us
        self.quiet_until_us = 0  # nothing falls due before this; 0 in live pace, where the real clock must be asked
        self.world_from_real_us = 0
        self.pace_file = scenario["pace_file"]
        self.reached_file = scenario["reached_file"]
        self.pace = ""
        self.input = select.poll()
        self.input.register(sys.stdin, select.POLLIN)
        self.read_pace()

    def _plan_edges(self, edges):
        self.edge_us = [edge[0] for edge in edges] + [NEVER]  # a list: reading an array of 64-bit numbers allocates
        self.edge_pin = array("i", [edge[1] for edge in edges])
        self.edge_level = array("i", [edge[2] for edge in edges])
        self.edge = 0

    # --- the unit's clock ---------------------------------------------------------------------------------------------

    def unit_us(self):
        elapsed_us = self.now_us - self.boot_us
        return self.ticks_start_us + elapsed_us + elapsed_us * self.rate_error_ppb // 1_000_000_000

    def world_us(self, unit_us):
        """Return the world time of a unit time, to 2 us over an hour."""
        elapsed_us = unit_us - self.ticks_start_us
        return self.boot_us + elapsed_us - elapsed_us * self.rate_error_ppb // 1_000_000_000

    # --- events -------------------------------------------------------------------------------------------------------

    def advance(self, target_us):
        """Let the clock reach a world time and run everything that falls due on the way."""
        while True:
            edge_us = NEVER if self.in_edge else self.edge_us[self.edge]
            tick_us = NEVER if self.in_edge or self.in_tick else self.tick_us
            if edge_us <= tick_us:
                if edge_us > target_us:
                    break
                self._fire_edge(edge_us)
            else:
                if tick_us > target_us:
                    break
                self._fire_tick(tick_us)
        if target_us > self.now_us:
            self.now_us = target_us
        self._plan_quiet()

    def _plan_quiet(self):
        edge_us = self.edge_us[self.edge]
        quiet_us = self.limit_us
        if edge_us < quiet_us:
            quiet_us = edge_us
        if self.tick_us < quiet_us:
            quiet_us = self.tick_us
        self.quiet_until_us = 0 if self.live else quiet_us

    def _fire_edge(self, due_us):
        if due_us > self.now_us:
            self.now_us = due_us
        pin = self.edge_pin[self.edge]
        level = self.edge_level[self.edge]
        self.edge += 1
        self.levels[pin] = level
        if self.handlers[pin] is not None and self.triggers[pin] & (8 if level else 4):
            self.in_edge = True
            self._run_locked(self.handlers[pin], self.pins[pin])
            self.in_edge = False

    def _fire_tick(self, due_us):
        if due_us > self.now_us:
            self.now_us = due_us
        i = 0
        while i < len(self.timers):
            timer = self.timers[i]
            if timer.due_us <= due_us:
                timer.step()
                self.in_tick = True
                self._run_locked(timer.callback, timer)
                self.in_tick = False
            i += 1
        self.plan_tick()

    def plan_tick(self):
        self.tick_us = NEVER
        i = 0
        while i < len(self.timers):
            if self.timers[i].due_us < self.tick_us:
                self.tick_us = self.timers[i].due_us
            i += 1
        self._plan_quiet()

    def _run_locked(self, handler, argument):
        micropython.heap_lock()
        try:
            handler(argument)
        except BaseException as failure:
            self.failure = failure
        micropython.heap_unlock()
        if self.failure is not None and not (self.in_edge and self.in_tick):
            self._fail()

    def _fail(self):
        """End the unit at once: on the board a failing handler would be lost among the firmware's own error records."""
        sys.stderr.write("simulated board: a handler failed (the heap is locked in handlers)\n")
        sys.print_exception(self.failure, sys.stderr)
        self._report("failed")
        sys.exit(70)

    # --- the passing of time ------------------------------------------------------------------------------------------

    def live_us(self):
        return self.world_from_real_us + real.ticks_us()

    def spend(self, us):
        """Pass time that the processor is busy; allocates nothing."""
        if self.now_us + us < self.quiet_until_us:
            self.now_us += us
        elif self.live and not (self.in_edge or self.in_tick):
            if us >= 50:
                real.sleep_us(us)
            self.advance(self.live_us())
        else:
            self.advance(self.now_us + us)
            if self.now_us >= self.limit_us and not self.live and not (self.in_edge or self.in_tick):
                self._hold()

    def stall(self, us):
        """Pass time with interrupts off: what falls due runs late, as during a flash erase."""
        if self.live:
            real.sleep_us(us)
        self.now_us = self.live_us() if self.live else self.now_us + us
        self.advance(self.now_us)

    def sleep(self, us):
        end_us = self.world_us(self.unit_us() + us)  # by the unit's own crystal
        while self.now_us < end_us:
            self._pass_until(end_us, False)

    def idle(self):
        """Pass time until the next event; in live pace until input arrives, too."""
        due_us = min(self.edge_us[self.edge], self.tick_us, self.now_us + 10_000)
        self._pass_until(max(due_us, self.now_us), True)

    def _pass_until(self, target_us, wake_on_input):
        if not self.live:
            self.advance(min(target_us, self.limit_us))
            if self.now_us >= self.limit_us:
                self._hold()
            return
        due_us = min(self.edge_us[self.edge], self.tick_us, target_us)
        wait_us = due_us - self.live_us()
        if wait_us >= 1000 and wake_on_input:
            self.input.poll(wait_us // 1000)
        elif wait_us > 0:
            real.sleep_us(min(wait_us, 20_000))
        self.advance(self.live_us())
        self._leave_if_abandoned()
        self.read_pace()

    # --- the host's orders --------------------------------------------------------------------------------------------

    def read_pace(self):
        """Take the host's order: `forward UNTIL_WORLD_US` or `live ANCHOR_WORLD_US ANCHOR_REAL_US`, then edges `WORLD_US,PIN,LEVEL`."""
        with real_open(self.pace_file) as file:
            pace = file.read()
        if pace == self.pace:
            return False
        self.pace = pace
        words = pace.split()
        self.live = words[0] == "live"
        if self.live:
            real_us = real.time_ns() // 1000
            self.world_from_real_us = int(words[1]) - int(words[2]) + real_us - real.ticks_us()
        else:
            self.limit_us = int(words[1])
        edges = words[3 if self.live else 2 :]
        if edges:
            self._add_edges([[int(number) for number in word.split(",")] for word in edges])
        self._plan_quiet()
        return True

    def _add_edges(self, new):
        left = range(self.edge, len(self.edge_us) - 1)
        self._plan_edges(sorted([[self.edge_us[i], self.edge_pin[i], self.edge_level[i]] for i in left] + new))

    def _hold(self):
        self._report(str(self.limit_us))
        while not self.read_pace():
            self._leave_if_abandoned()
            real.sleep_us(2000)

    def _leave_if_abandoned(self):
        """End when the host's end of the line is gone: a unit must not outlive the program that started it."""
        for _, event in self.input.poll(0):
            if event & select.POLLHUP:
                sys.exit(0)

    def _report(self, text):
        with real_open(self.reached_file + ".new", "w") as file:
            file.write(text)
        os.rename(self.reached_file + ".new", self.reached_file)


with real_open(os.getenv("APEXFIX_SCENARIO")) as _file:
    scenario = json.load(_file)
world = World(scenario)
