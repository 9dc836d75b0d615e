"""The wiring diagram, drawn from wiring.csv alone: the board from above, every part beside it, one lane for each net."""

from collections.abc import Sequence
from dataclasses import dataclass

from sheet import HELP, INK, THIN, WARN, Sheet, number
from tables import LEFT, RIGHT, Row

INKS = {
    "blue": "#1f5fbf",
    "orange": "#e07b00",
    "red": "#c4161c",
    "black": "#222222",
    "green": "#1a8f3c",
    "purple": "#7d2bb5",
    "brown": "#7a4a1e",
}
PITCH, TOP, BOARD_X, BOARD_WIDTH = 26, 150, 430, 220
PART_WIDTH, LANE = 150, 26
BOARD_END = TOP + 19 * PITCH + 30


@dataclass(frozen=True, slots=True)
class Side:
    """Left or right of the board: which pins it has, and which way its wires leave."""

    pins: Sequence[str]
    edge: float
    out: int  # -1 to the left, +1 to the right

    def pin_y(self, pin: str) -> float:
        return TOP + PITCH * self.pins.index(pin)


LEFT_SIDE = Side(LEFT, BOARD_X, -1)
RIGHT_SIDE = Side(RIGHT, BOARD_X + BOARD_WIDTH, 1)


def side_of(rows: list[Row]) -> Side:
    """A part stands on the side of its own signals; ground and 3.3 V follow it."""
    return RIGHT_SIDE if any(row["board_pin"] in RIGHT and row["pins_name"] for row in rows) else LEFT_SIDE


def draw(wiring: list[Row]) -> str:
    """Return the diagram as SVG; every wire carries `data-part`, `data-terminal` and `data-pin`."""
    sheet = Sheet(990, 790, "Wiring of a sighting unit, drawn from hardware/wiring.csv")
    sheet.text(30, 36, "Wiring of a sighting unit", 20, weight="bold")
    sheet.text(30, 58, "Seen from above, USB socket at the top. A dot joins wires; crossing wires without a dot do not touch.", 12)
    _board(sheet, wiring)
    parts: dict[str, list[Row]] = {}
    for row in wiring:
        if row["colour"]:
            parts.setdefault(row["part"], []).append(row)
    for side in (LEFT_SIDE, RIGHT_SIDE):
        _wire_side(sheet, side, {name: rows for name, rows in parts.items() if side_of(rows) is side})
    _legend(sheet, wiring)
    return sheet.svg()


def _board(sheet: Sheet, wiring: list[Row]) -> None:
    used = {row["board_pin"] for row in wiring}
    sheet.raw(
        f'<rect x="{BOARD_X}" y="{TOP - 32}" width="{BOARD_WIDTH}" height="{BOARD_END - TOP + 32}" rx="8" '
        f'fill="#e9f3ec" stroke="{INK}"/>'
    )
    sheet.raw(f'<rect x="{BOARD_X + BOARD_WIDTH / 2 - 30}" y="{TOP - 46}" width="60" height="42" fill="#d5d8dc" stroke="{INK}"/>')
    middle = BOARD_X + BOARD_WIDTH / 2
    sheet.text(middle, TOP - 22, "USB", 11, anchor="middle")
    sheet.text(middle, TOP + 215, "RP2040", 14, anchor="middle", weight="bold")
    sheet.text(middle, TOP + 232, "51 x 21 mm", 10.5, anchor="middle")
    for side in (LEFT_SIDE, RIGHT_SIDE):
        for index, pin in enumerate(side.pins):
            y, inward = TOP + PITCH * index, -side.out
            sheet.raw(f'<circle cx="{side.edge}" cy="{y}" r="5" fill="#f7d774" stroke="{INK}"/>')
            physical = index + 1 if side is LEFT_SIDE else 40 - index
            style = {"weight": "bold"} if pin in used else {"colour": THIN}
            anchor = "start" if side is LEFT_SIDE else "end"
            sheet.text(side.edge + 11 * inward, y + 4, f"{pin} ({physical})", 10.5, anchor=anchor, **style)


def _wire_side(sheet: Sheet, side: Side, parts: dict[str, list[Row]]) -> None:
    places, y = {}, TOP - PITCH  # terminals lie half-way between pins, so that no crossing looks like a joint
    if side is RIGHT_SIDE and parts:  # the buzzer's pin is at the bottom of the board
        y = TOP + PITCH * (20 - sum(len(rows) + 2 for rows in parts.values()))
    for name, rows in parts.items():
        places[name] = y
        y += PITCH * (len(rows) + 2)
    nets = list(dict.fromkeys(row["board_pin"] for rows in parts.values() for row in rows))
    lanes = {net: side.edge + side.out * (40 + LANE * order) for order, net in enumerate(nets)}
    terminals = [(row, _level(places[name], index)) for name, rows in parts.items() for index, row in enumerate(rows)]
    part_edge = side.edge + side.out * (60 + LANE * max(len(nets), 4))
    for net in nets:
        _net(sheet, side, lanes[net], [(row, level) for row, level in terminals if row["board_pin"] == net], part_edge)
    for name, rows in parts.items():
        _part(sheet, side, part_edge, places[name], name, rows)


def _level(y: float, index: int) -> float:
    return y + PITCH * (index + 1.5)


def _net(sheet: Sheet, side: Side, lane: float, members: list[tuple[Row, float]], part_edge: float) -> None:
    """One pin of the board and every terminal that it serves."""
    net, ink = members[0][0]["board_pin"], INKS[members[0][0]["colour"]]
    for row, level in members:
        x_pin, y_pin, around = _pin_end(side, net, level)
        ends = f'data-part="{row["part"]}" data-terminal="{row["terminal"]}" data-pin="{net}"'
        points = [(part_edge, level), (lane, level), (lane, y_pin if not around else TOP - 70)]
        points += [(RIGHT_SIDE.edge + 30, TOP - 70), (RIGHT_SIDE.edge + 30, y_pin)] if around else []
        points.append((x_pin, y_pin))
        d = "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)
        sheet.raw(f'<path d="{d}" fill="none" stroke="{ink}" stroke-width="2.6" stroke-linejoin="round" {ends}/>')
        if row["through"]:
            x = (lane + part_edge) / 2
            sheet.raw(f'<rect x="{number(x - 16)}" y="{number(level - 6)}" width="32" height="12" fill="#fff" stroke="{INK}"/>')
            sheet.text(x, level - 11, "100 ohm", 10.5, anchor="middle")
    levels = sorted({level for _, level in members} | {_pin_end(side, net, members[0][1])[1] if net in side.pins else TOP - 70})
    for level in levels[1:-1]:
        sheet.raw(f'<circle cx="{number(lane)}" cy="{number(level)}" r="4" fill="{ink}"/>')


def _pin_end(side: Side, net: str, level: float) -> tuple[float, float, bool]:
    """Where a net meets the board; a pin of the far side is reached over the top. Of many ground pins one serves each side."""
    if net in side.pins:
        indices = [index for index, pin in enumerate(side.pins) if pin == net]
        index = indices[0] if side is LEFT_SIDE else indices[-1]
        return side.edge, TOP + PITCH * index, False
    other = RIGHT_SIDE if side is LEFT_SIDE else LEFT_SIDE
    return other.edge, other.pin_y(net), True


def _part(sheet: Sheet, side: Side, edge: float, y: float, name: str, rows: list[Row]) -> None:
    x = edge - PART_WIDTH if side.out < 0 else edge
    height = PITCH * len(rows) + 30
    sheet.raw(
        f'<rect x="{number(x)}" y="{number(y)}" width="{PART_WIDTH}" height="{height}" rx="6" fill="#eef1f4" stroke="{INK}"/>'
    )
    sheet.text(x + PART_WIDTH / 2, y + 16, name + (" (option)" if name == "encoder" else ""), 12, anchor="middle", weight="bold")
    for index, row in enumerate(rows):
        level = _level(y, index)
        inside, anchor = (edge - 12, "end") if side.out < 0 else (edge + 12, "start")
        sheet.raw(f'<circle cx="{number(edge)}" cy="{number(level)}" r="4.5" fill="#f7d774" stroke="{INK}"/>')
        sheet.text(inside, level + 4, row["terminal"], 11, anchor=anchor)


def _legend(sheet: Sheet, wiring: list[Row]) -> None:
    y = BOARD_END + 36
    colours = dict.fromkeys((row["colour"], row["board_pin"]) for row in wiring if row["colour"])
    words = ", ".join(f"{pin} {colour}" for colour, pin in colours)
    sheet.text(30, y, f"Colours: {words}. Any pin marked GND is as good as another.", 11.5)
    sheet.text(
        30,
        y + 20,
        "IMU and encoder: 3.3 V only, never VBUS (5 V). Buttons close to ground; the board's own pull-ups are used.",
        11.5,
        colour=WARN,
    )
    on_board = ", ".join(row["part"] for row in wiring if not row["colour"])
    sheet.text(
        30,
        y + 40,
        f"Without a wire, on the board: {on_board}. No magnetometer anywhere: iron and motors would mislead it.",
        11.5,
        colour=HELP,
    )
