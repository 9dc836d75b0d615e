"""Published figures of safety for a launch, each with its source. Advice only: see DECIDES of the prediction's limits.

docs/safety.md tells where each figure was read. Where codes differ all of them are listed and the strictest one is used.
"""

from dataclasses import dataclass
from typing import Final

from apexfix.predict.limits import BOTTLE_LIMIT_PA, BOTTLE_SOURCE, BOTTLE_STEP_PA, DISTANCE_SOURCE, MODEL_SOURCE
from apexfix.units import DEG

CLUB_SOURCE: Final = "published club table after NFPA 1122, clause 4.9"
STATE_SOURCE: Final = "California fireworks regulations, as a club tabulates them"
GOGGLES_SOURCE: Final = "University of Nebraska, water rocket safety rules"
PROOF_SOURCE: Final = "published water rocket practice"
SIGHT_SOURCE: Final = "manual of a survey instrument"

# class -> (largest total impulse in N s, shortest side of the site in m); the classes double from one to the next
CLASSES: Final = {
    "1/4A": (0.625, 15.0),
    "1/2A": (1.25, 15.0),
    "A": (2.5, 30.0),
    "B": (5.0, 60.0),
    "C": (10.0, 120.0),
    "D": (20.0, 150.0),
    "E": (40.0, 300.0),
    "F": (80.0, 300.0),
    "G": (160.0, 300.0),
}
_SMALL: Final = ("1/4A", "1/2A", "A", "B", "C", "D")
SUN_WARNING_RAD: Final = 10.0 * DEG  # between a line of sight and the Sun: this package's own margin, no published figure


@dataclass(frozen=True, slots=True)
class Figure:
    """One published figure, in the words of this package."""

    words: str
    source: str
    metres: float | None = None  # where the figure is a distance


@dataclass(frozen=True, slots=True)
class Advice:
    """What published codes ask for one kind of rocket."""

    kind: str
    standoffs: tuple[Figure, ...]  # strictest first
    site: Figure | None  # shortest side, or diameter, of the field; None where no published figure is known here
    practice: tuple[Figure, ...]

    @property
    def standoff_m(self) -> float:
        """The strictest of the published distances."""
        return float(self.standoffs[0].metres or 0.0)


def motor_class(impulse_ns: float) -> str | None:
    """Return the letter of a total impulse; None above class G, beyond the figures that are known here.

    Examples
    --------
    >>> motor_class(5.0), motor_class(5.01), motor_class(161.0)
    ('B', 'C', None)
    """
    return next((name for name, (most_ns, _) in CLASSES.items() if impulse_ns <= most_ns), None)


def motor_advice(letter: str | None) -> Advice:
    """Return the advice for a solid motor of a class; None stands for a larger one."""
    small = letter in _SMALL
    near_m, step = (4.6, "up to class D") if small else (9.1, "above class D")
    code = Figure(f"{near_m} m from the pad {step}", MODEL_SOURCE, near_m)
    state = Figure("9.1 m from the pad for every class up to G", STATE_SOURCE, 9.1)
    side_m = None if letter is None else CLASSES[letter][1]
    site = None if side_m is None else Figure(f"a field of {side_m:g} m on its shortest side", CLUB_SOURCE, side_m)
    practice = (
        Figure("launch within 30 degrees of the vertical", MODEL_SOURCE),
        Figure("no launch in a wind above 32 km/h", MODEL_SOURCE),
        Figure("after a misfire, wait 60 s before anybody goes near", MODEL_SOURCE),
        Figure("at most 1500 g, 125 g of propellant and 320 N s", MODEL_SOURCE),
        _sight(),
    )
    return Advice(f"motor, class {letter or 'above G'}", (state, code) if small else (code,), site, practice)


def water_advice(pressure_pa: float) -> Advice:
    """Return the advice for a water rocket at a gauge pressure."""
    low = pressure_pa <= BOTTLE_STEP_PA
    near_m, far_m = (3.0, 6.0) if low else (6.0, 12.0)
    step = "up to 4.1 bar (60 psi)" if low else "above 4.1 bar (60 psi)"
    distances = [
        Figure(f"{far_m:g} m from the pad without eye protection {step}", DISTANCE_SOURCE, far_m),
        Figure(f"{near_m:g} m from the pad with eye protection {step}", DISTANCE_SOURCE, near_m),
        Figure("eye protection within 10 m of a bottle under pressure", GOGGLES_SOURCE, 10.0),
    ]
    practice = (
        Figure(f"never above {BOTTLE_LIMIT_PA / 1e5:.1f} bar (90 psi) in a drinks bottle", BOTTLE_SOURCE),
        Figure("retire a bottle after 10 to 15 launches", BOTTLE_SOURCE),
        Figure("proof-test a bottle full of water to 1.5 times the working pressure", PROOF_SOURCE),
        Figure("launch within 30 degrees of the vertical", DISTANCE_SOURCE.replace("clause 4", "clause 6")),
        Figure("on a windy day move the pad towards the side that the wind comes from", BOTTLE_SOURCE),
        _sight(),
    )
    site = Figure("a field of 30 m in width", BOTTLE_SOURCE, 30.0)
    return Advice(f"water rocket at {pressure_pa / 1e5:.1f} bar", _strictest_first(distances), site, practice)


def unknown_advice() -> Advice:
    """Return the strictest distance of all where nobody said what drives the rocket."""
    every = [*motor_advice("G").standoffs, *water_advice(BOTTLE_LIMIT_PA).standoffs]
    return Advice("engine not stated: the strictest figure of all", _strictest_first(every), None, (_sight(),))


def _sight() -> Figure:
    return Figure("open sights or a plain tube only: viewing the Sun directly does serious damage to the eye", SIGHT_SOURCE)


def _strictest_first(figures: list[Figure]) -> tuple[Figure, ...]:
    return tuple(sorted(figures, key=lambda figure: -(figure.metres or 0.0)))
