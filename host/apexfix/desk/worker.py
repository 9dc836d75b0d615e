"""The one thread that works: it visits the ports, reduces the day when a file of it changed, and publishes snapshots.

Pages read the last snapshot and never wait for a port. Visits run in a pool, at most one for each port, so that a unit that hangs
stops nobody; the worker itself never waits for one. Nothing is remembered that the day's folder does not hold.
"""

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from apexfix.day import SITE_NAME, read_site
from apexfix.decisions import read_decisions
from apexfix.desk.board import board_of, marks_of
from apexfix.desk.values import Board, Snapshot, UnitCard
from apexfix.desk.visit import Errand, Visited, visit
from apexfix.errors import ApexfixError, ReductionError
from apexfix.fieldwork import FieldDay, day_files, read_field_day
from apexfix.link import candidate_ports
from apexfix.model import DayResult
from apexfix.pull import Progress
from apexfix.report.rounding import Manner
from apexfix.session import HostClock
from apexfix.units import SECOND_US

_PAUSE_S: Final = 0.25
_STRANGER_S: Final = 30.0  # a device that is no unit is left in peace for so long
_ASLEEP_S: Final = 10.0  # a gap between two turns, or a step between the clocks, that only a sleeping laptop makes
_MOST_PORTS: Final = 16  # visited at the same time


@dataclass(frozen=True, slots=True)
class Habits:
    """How the desk works; tests give it clocks and ports of their own."""

    ports: tuple[str, ...] | None = None  # None: every USB port
    every_s: float = 3.0  # between two visits of a port
    feet: bool = False
    host: HostClock = HostClock()  # noqa: RUF009  a frozen value
    discover: Callable[[], Sequence[str]] = candidate_ports


class Desk:
    """A day as it happens. ``start`` it, read ``snapshot``, ``stop`` it."""

    def __init__(self, folder: Path, answered: Callable[[Path, FieldDay], DayResult], habits: Habits):
        """Read the site. FileError where the folder is no day.

        Parameters
        ----------
        answered
            From the folder of a day and what was read in it to its answers; raises an ApexfixError where it cannot.
        """
        self.folder = folder
        self._answered, self._habits = answered, habits
        self._site = read_site(folder / SITE_NAME)
        self._snapshot = Snapshot(Board(self._site.name), manner=Manner(habits.feet, self._site.timezone))
        self._answers: DayResult | None = None
        self._news = threading.Condition()  # guards the snapshot and the count of requests, for moments only
        self._asked = 0
        self._wake, self._stopping = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._work, name="desk worker", daemon=True)
        self._pool = ThreadPoolExecutor(_MOST_PORTS, thread_name_prefix="desk port")
        # from here on: of the worker alone
        self._visits: dict[str, Future[Visited]] = {}
        self._visited: dict[str, Visited] = {}
        self._outslept: set[str] = set()  # ports of visits that began before the laptop slept
        self._due_s: dict[str, float] = {}
        self._progress: dict[str, Progress] = {}
        self._inputs: tuple[tuple[Path, tuple[int, int] | None], ...] | None = None
        self._turned: tuple[float, int] | None = None

    @property
    def snapshot(self) -> Snapshot:
        """What the pages show now."""
        with self._news:
            return self._snapshot

    @property
    def answers(self) -> DayResult | None:
        """The day as it was last reduced; None before that."""
        return self._answers

    @property
    def working(self) -> bool:
        """Whether snapshots still come: a fault of the program ends the worker, and prints its traceback."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Begin to work."""
        self._thread.start()

    def stop(self) -> None:
        """End after the present turn, and wait for the visits that run: they are bounded, and what arrived is kept."""
        self._stopping.set()
        self._wake.set()
        if self._thread.ident is not None:  # else it was never started
            self._thread.join()
        self._pool.shutdown(cancel_futures=True)

    def refresh(self, patience_s: float = 10.0) -> bool:
        """Have the day's files read again now, and return whether the snapshot holds them; False where that takes too long."""
        with self._news:
            self._asked += 1
            mine = self._asked
            self._wake.set()
            return self._news.wait_for(lambda: self._snapshot.answered >= mine, patience_s)

    # --- the worker -------------------------------------------------------------------------------------------------

    def _work(self) -> None:
        while not self._stopping.is_set():
            self.turn()
            self._wake.wait(_PAUSE_S)
            self._wake.clear()

    def turn(self) -> None:
        """Do what is due, once: collect visits, send new ones out, reduce, publish. Called by the worker, or by a test."""
        with self._news:
            asked = self._asked
        self._mind_the_gap()
        self._collect()
        self._send_out()
        self._reduce(at_once=asked > self._snapshot.answered)
        self._publish(replace(self._snapshot, units=self._cards(), answered=asked))

    def _mind_the_gap(self) -> None:
        """After a sleep of the laptop compare all clocks again: its own may have been stepped."""
        now = (self._habits.host.elapsed_s(), self._habits.host.utc_us())
        if self._turned is not None:
            steady_s, utc_s = now[0] - self._turned[0], (now[1] - self._turned[1]) / SECOND_US
            if max(abs(utc_s - steady_s), steady_s) > _ASLEEP_S:  # some steady clocks stand while the laptop sleeps
                self._visited = {port: replace(seen, held=None) for port, seen in self._visited.items()}
                self._outslept = set(self._visits)
                self._due_s.clear()
        self._turned = now

    def _collect(self) -> None:
        for port in [port for port, future in self._visits.items() if future.done()]:
            seen = self._visits.pop(port).result()
            self._visited[port] = replace(seen, held=None) if port in self._outslept else seen
            self._outslept.discard(port)
            self._progress.pop(port, None)
            stranger = seen.card.state == "no unit" and self._habits.ports is None
            self._due_s[port] = self._habits.host.elapsed_s() + (_STRANGER_S if stranger else self._habits.every_s)

    def _send_out(self) -> None:
        ports = self._ports()
        for port in self._visited.keys() - set(ports):
            self._unplugged(port)
        for port in ports:
            if port not in self._visits and self._habits.host.elapsed_s() >= self._due_s.get(port, 0.0):
                errand = Errand(port, self.folder, self._habits.host, self._show)
                self._visits[port] = self._pool.submit(visit, errand, self._visited.get(port))

    def _ports(self) -> tuple[str, ...]:
        return self._habits.ports if self._habits.ports is not None else tuple(self._habits.discover())

    def _unplugged(self, port: str) -> None:
        """Keep what a unit last said; forget a port that was none. The next visit comes at once and pulls."""
        seen = self._visited[port]
        self._due_s.pop(port, None)
        if seen.card.unit:
            self._visited[port] = Visited(replace(seen.card, state="unplugged", said=""), None)
        else:
            del self._visited[port]

    def _show(self, progress: Progress) -> None:
        self._progress[progress.port] = progress  # one assignment: safe from any thread

    def _cards(self) -> tuple[UnitCard, ...]:
        return tuple(self._card(port) for port in sorted({*self._visits, *self._visited, *(self._habits.ports or ())}))

    def _card(self, port: str) -> UnitCard:
        seen, progress = self._visited.get(port), self._progress.get(port)
        card = UnitCard(port, "waiting") if seen is None else seen.card
        if progress is not None:
            far = f"{progress.done_bytes} of {progress.total_bytes} bytes"
            card = replace(card, state="fetching", unit=progress.unit, said=far)
        station = next((station.id for station in self._site.stations if station.unit and station.unit == card.unit), "")
        return replace(card, station=station)

    # --- the day ----------------------------------------------------------------------------------------------------

    def _reduce(self, at_once: bool) -> None:
        """Derive the board anew where a file of the day changed; while a unit is fetched only if a page asked."""
        if self._progress and not at_once:
            return
        inputs = tuple((path, _stamp(path)) for path in day_files(self.folder))
        if inputs == self._inputs:
            return
        self._inputs = inputs
        try:
            self._snapshot = self._derived()
        except ApexfixError as error:
            self._snapshot = replace(self._snapshot, read=True, trouble=str(error))

    def _derived(self) -> Snapshot:
        """Return the snapshot of the files as they are. Without any flight the marks can be settled all the same."""
        self._site = site = read_site(self.folder / SITE_NAME)
        manner = Manner(self._habits.feet, site.timezone)
        field = read_field_day(self.folder)
        marks = marks_of(field.places, read_decisions(self.folder), manner)
        try:
            answers = self._answered(self.folder, field)
        except ReductionError as error:
            board, trouble = Board(site.name, marks=marks), str(error)
        else:
            self._answers = answers
            board, trouble = board_of(answers, marks, manner), ""
        return replace(self._snapshot, read=True, board=board, trouble=trouble, manner=manner)

    def _publish(self, snapshot: Snapshot) -> None:
        with self._news:
            self._snapshot = snapshot
            self._news.notify_all()


def _stamp(path: Path) -> tuple[int, int] | None:
    """Return what changes when a file does; None where there is none."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size
