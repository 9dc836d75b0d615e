"""The hardware's own tables, and what must hold between them. Every check gives back its complaints: an empty list is good."""

import csv
import re
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
Row = dict[str, str]

# Pinout of the 51 x 21 mm RP2040 board with 2 x 20 pins (from memory of its public data sheet; the underside prints it too):
# pin 1 is beside the USB socket, 20 at the lower left, 21 at the lower right, 40 at the upper right.
LEFT = [
    "GP0",
    "GP1",
    "GND",
    "GP2",
    "GP3",
    "GP4",
    "GP5",
    "GND",
    "GP6",
    "GP7",
    "GP8",
    "GP9",
    "GND",
    "GP10",
    "GP11",
    "GP12",
    "GP13",
    "GND",
    "GP14",
    "GP15",
]
RIGHT = [
    "VBUS",
    "VSYS",
    "GND",
    "EN",
    "3V3",
    "VREF",
    "GP28",
    "GND",
    "GP27",
    "GP26",
    "RUN",
    "GP22",
    "GND",
    "GP21",
    "GP20",
    "GP19",
    "GP18",
    "GND",
    "GP17",
    "GP16",
]
ON_THE_BOARD = {"LED", "USB", "GP29"}  # reached without a wire
NO_PIN = {"IMU_BUS", "IMU_HZ"}  # names in pins.py that are no pins
GUIDE_TITLES = ("part", "terminal", "board pin", "colour")  # the head of the guide's table of wires
VARIANTS = ("cheapest", "better")


def rows(path: Path) -> list[Row]:
    """Return the lines of a comma-separated file with a header line."""
    with open(path, newline="", encoding="utf-8") as table:
        return list(csv.DictReader(table))


def parameters(scad: str) -> dict[str, float]:
    """Return the numbers at the top of the mount's source, millimetres, by name."""
    return {name: float(number) for name, number in re.findall(r"^(\w+) = ([\d.]+);\s+// .+$", scad, re.MULTILINE)}


def pins_in_code(source: str) -> dict[str, str]:
    """Return name -> pin as wiring.csv writes it (GP4, LED), for every pin that pins.py names."""
    found = dict(re.findall(r"^([A-Z_]+) = [\"']?(\w+)", source, re.MULTILINE))
    return {name: pin if not pin.isdigit() else f"GP{pin}" for name, pin in found.items() if name not in NO_PIN}


def pins_differ(pins_source: str, wiring: list[Row]) -> list[str]:
    """Compare pins.py with the wiring table, both ways."""
    code, table = pins_in_code(pins_source), {(row["pins_name"], row["board_pin"]) for row in wiring if row["pins_name"]}
    complaints = [f"wiring.csv has {name} at {pin}, pins.py at {code.get(name)}" for name, pin in sorted(table - code.items())]
    return complaints + [f"pins.py has {name} at {pin}, wiring.csv not" for name, pin in sorted(code.items() - table)]


def pins_cannot_work(wiring: list[Row]) -> list[str]:
    """Hold the table to the RP2040: data of I2C0 on GP0, 4, 8 ..., its clock one further (data sheet, GPIO functions, F3)."""
    complaints = []
    for row in wiring:
        pin = row["board_pin"]
        if pin not in {*LEFT, *RIGHT, *ON_THE_BOARD}:
            complaints.append(f"{row['part']} {row['terminal']}: the board has no pin {pin}")
        elif row["terminal"] in ("SDA", "SCL") and int(pin.removeprefix("GP")) % 4 != ("SDA", "SCL").index(row["terminal"]):
            complaints.append(f"{row['part']} {row['terminal']}: {pin} cannot be {row['terminal']} of I2C0")
    return complaints + pins_shared(wiring)


def pins_shared(wiring: list[Row]) -> list[str]:
    """Two different signals on one pin."""
    signals = {(row["board_pin"], row["pins_name"]) for row in wiring if row["pins_name"]}
    return [f"{pin} carries more than one signal" for pin, count in Counter(pin for pin, _ in signals).items() if count > 1]


def bom_misses(bom: list[Row], wiring: list[Row]) -> list[str]:
    """Parts that are wired but not bought, or bought but not wired, in each variant."""
    wired = {row["part"] for row in wiring} | {row["through"] for row in wiring if row["through"]} | {"board"}
    complaints = []
    for variant in VARIANTS:
        bought = {row["part"] for row in bom if row["variant"] in (variant, "both") and row["kind"] != "material"}
        complaints += [f"{variant}: {part} is in wiring.csv but not in bom.csv" for part in sorted(wired - bought)]
        complaints += [f"{variant}: {part} is in bom.csv but has no wire in wiring.csv" for part in sorted(bought - wired)]
    return complaints


def wires_in_guide_differ(guide: str, wiring: list[Row]) -> list[str]:
    """Compare the guide's table of wires (part | terminal | pin | colour) with the wiring table."""
    told = set(re.findall(r"^\| ([^|]+) \| ([^|]*) \| ([^|]+) \| ([a-z]+) \|", guide, re.MULTILINE)) - {GUIDE_TITLES}
    wanted = {(row["part"], row["terminal"], row["board_pin"], row["colour"]) for row in wiring if row["colour"]}
    complaints = [f"build.md wires {' '.join(wire)}, wiring.csv does not" for wire in sorted(told - wanted)]
    return complaints + [f"wiring.csv wires {' '.join(wire)}, build.md does not" for wire in sorted(wanted - told)]


def wires_in_diagram_differ(svg: str, wiring: list[Row]) -> list[str]:
    """Compare the wires drawn (each carries what it joins) with the wiring table."""
    drawn = set(re.findall(r'data-part="([^"]*)" data-terminal="([^"]*)" data-pin="([^"]*)"', svg))
    wanted = {(row["part"], row["terminal"], row["board_pin"]) for row in wiring if row["colour"]}
    complaints = [f"the diagram draws {' '.join(wire)}, wiring.csv does not" for wire in sorted(drawn - wanted)]
    return complaints + [f"wiring.csv has {' '.join(wire)}, the diagram does not draw it" for wire in sorted(wanted - drawn)]


def links_broken(page: str, folder: Path) -> list[str]:
    """Links and pictures of a page that lead nowhere, and headings of the same page that do not exist."""
    titles = re.findall(r"^#+ (.+)$", page, re.MULTILINE)
    anchors = {re.sub(r"[^\w -]", "", title.lower()).strip().replace(" ", "-") for title in titles}
    targets = re.findall(r"\]\((?!https?:)([^)]+)\)", page)
    return [
        f"a link leads to {target}, which does not exist"
        for target in targets
        if (target[1:] not in anchors if target.startswith("#") else not (folder / target.partition("#")[0]).exists())
    ]


def numbers_in_guide_differ(guide: str, sizes: dict[str, float]) -> list[str]:
    """Sizes that the guide quotes as `name = number` must be those of the mount's source."""
    return [
        f"build.md says {name} = {number}, mount.scad {sizes.get(name, 'has no such name')}"
        for name, number in re.findall(r"`(\w+) = ([\d.]+)`", guide)
        if sizes.get(name) != float(number)
    ]
