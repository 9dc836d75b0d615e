"""Dimensioned drawings of the mount, from the numbers at the top of mount.scad and nothing else."""

from math import cos, radians, sin, sqrt

from sheet import FILL, HELP, THIN, WARN, Sheet, View, number

Sizes = dict[str, float]
PLASTIC, TUBE, WOOD, BOARD = FILL, "#dfe7f5", "#f3e6cf", "#dcefe0"
FOOT = 13.0  # radius of the base round a levelling bolt, as in mount.scad
SUN = "THE SUN BLINDS: open sights only, never a lens. Never follow a model through the Sun."


def derived(p: Sizes) -> Sizes:
    """Return the sizes that mount.scad computes from its parameters, and the outer sizes of every part as it lies on the bed."""
    groove_top = p["tube_diameter"] / sqrt(2) - p["axis_to_body"]
    pocket_floor = groove_top + p["groove_roof"]
    sleeve = p["tube_diameter"] + p["tube_clearance"] + 2 * p["wall"]
    return {
        "groove_top": groove_top,
        "pocket_floor": pocket_floor,
        "body_height": pocket_floor + p["pocket_depth"],
        "body_width": p["board_width"] + 2 * p["fit"] + 2 * p["wall"],
        "body_length": p["board_length"] + 2 * p["fit"] + p["imu_length"] + 3 * p["wall"] + 2 * p["land_length"],
        "sleeve": sleeve,
        "fork_inside": p["grip_thickness"] + 0.6,
        "shaft": p["plate_thickness"] + p["bearing_length"] - p["shaft_recess"],
    }


def extents(p: Sizes) -> dict[str, tuple[float, float, float]]:
    """Return part -> size along x, y, z of the bed; the rendered solids must have these."""
    d = derived(p)
    half = d["sleeve"] / 2
    front, rear = p["front_ring_outside"], p["rear_outside"]
    foot = p["foot_radius"]
    return {
        "front_sight": (max(front, d["sleeve"]), half + p["sight_height"] + front / 2, p["sleeve_length"]),
        "rear_sight": (max(rear, d["sleeve"]), half + p["sight_height"] + rear / 2, p["sleeve_length"]),
        "body": (d["body_length"], d["body_width"] + 2 * p["wing_width"], d["body_height"]),
        "handle": (p["saddle_length"], p["pivot_depth"] + 17 - p["axis_to_body"], p["grip_thickness"]),
        "fork": (d["fork_inside"] + 2 * p["fork_cheek"], p["pivot_height"] + 15, p["fork_length"]),
        "turntable": (p["turntable_diameter"], p["turntable_diameter"], p["turntable_thickness"] + d["shaft"]),
        "base": (
            foot + FOOT + max(p["turntable_diameter"] / 2, foot / 2 + FOOT),
            2 * (foot * sin(radians(120)) + FOOT),
            p["plate_thickness"] + p["bearing_length"],
        ),
        "encoder_cap": (p["sleeve_diameter"], p["sleeve_diameter"], p["cap_thickness"]),
    }


def _sheet(width: float, height: float, title: str, below: str) -> Sheet:
    sheet = Sheet(width, height, title)
    sheet.text(24, 32, title, 17, weight="bold")
    sheet.text(24, 50, below, 11, colour=THIN)
    return sheet


def _extent(p: Sizes, part: str) -> str:
    return "printed size " + " x ".join(number(size) for size in extents(p)[part])


def overview(p: Sizes) -> str:
    """The whole hand-held unit from its right side, and the two sights as the eye sees them."""
    d = derived(p)
    sheet = _sheet(
        960,
        690,
        "Sighting unit: side view and sights",
        "Millimetres. Drawn from hardware/mount/mount.scad. Forward (x) is to the right.",
    )
    view, tube, top = View(120, 240, 2.2), p["tube_diameter"], p["sight_height"]
    rear, front = (p["tube_length"] - p["sight_distance"]) / 2, (p["tube_length"] + p["sight_distance"]) / 2
    x0 = (p["tube_length"] - d["body_length"]) / 2
    handle_x = p["tube_length"] / 2
    sheet.polygon(
        view,
        [
            (handle_x - p["saddle_length"] / 2, -p["axis_to_body"]),
            (handle_x + p["saddle_length"] / 2, -p["axis_to_body"]),
            (handle_x + 17, -p["pivot_depth"]),
            (handle_x + 9, -p["pivot_depth"] - 15),
            (handle_x - 9, -p["pivot_depth"] - 15),
            (handle_x - 17, -p["pivot_depth"]),
        ],
    )
    sheet.circle(view, handle_x, -p["pivot_depth"], p["pivot_hole"], "#ffffff")
    sheet.box(view, 0, -tube / 2, p["tube_length"], tube, TUBE)
    sheet.box(view, x0, p["axis_to_body"], d["body_length"], d["pocket_floor"])
    sheet.box(view, x0 + p["land_length"], p["axis_to_body"], d["body_length"] - 2 * p["land_length"], d["body_height"])
    sheet.box(view, handle_x - p["wing_length"] / 2, p["axis_to_body"], p["wing_length"], p["wing_thickness"])
    for x, disc, step in ((rear, p["rear_outside"], 1), (front, p["front_ring_outside"], -1)):
        across = -step * p["sleeve_length"]
        sheet.box(view, x, -d["sleeve"] / 2, -across, d["sleeve"])
        sheet.box(view, x, d["sleeve"] / 2, -across, top - disc / 2 - d["sleeve"] / 2)
        sheet.box(view, x, top - disc / 2, step * p["sight_thickness"], disc)
    sheet.axis(view, (-16, top), (p["tube_length"] + 20, top))
    sheet.axis(view, (3, 0), (p["tube_length"] + 20, 0))
    sheet.across(view, rear, front, top + p["front_ring_outside"] / 2, -28, f"{number(p['sight_distance'])} peep to cross-hairs")
    sheet.across(view, 0, p["tube_length"], -tube / 2, 58, f"tube {number(p['tube_length'])}")
    sheet.across(view, x0, x0 + d["body_length"], -tube / 2, 30)
    sheet.along(view, 0, top, p["tube_length"], 40)
    sheet.along(view, 0, -p["pivot_depth"], handle_x, 100)
    sheet.along(view, -tube / 2, tube / 2, 0, -22, f"tube {number(tube)}")
    sheet.note(view, (-14, top), "eye", (-14, -22))
    sheet.note(view, (handle_x, d["body_height"] - 4), "body: board in front, sensor behind", (-52, -64))
    sheet.note(view, (handle_x - 10, -60), "handle", (-60, 20))
    sheet.note(view, (handle_x + 4, -p["pivot_depth"]), "elevation bolt M8 on the stand", (66, -6))
    sheet.note(view, (handle_x - 16, p["axis_to_body"] + 2), "button wings: MARK right, REFERENCE left", (-60, 120))
    _eye_view(sheet, View(150, 610, 2.2), p, "rear")
    _eye_view(sheet, View(760, 610, 2.2), p, "front")
    sheet.text(24, 676, SUN, 13, weight="bold", colour=WARN)
    return sheet.svg()


def _eye_view(sheet: Sheet, view: View, p: Sizes, which: str) -> None:
    d = derived(p)
    disc = p["front_ring_outside"] if which == "front" else p["rear_outside"]
    top, half = p["sight_height"], d["sleeve"] / 2
    sheet.box(view, -half, -half, 2 * half, half, PLASTIC)
    sheet.circle(view, 0, 0, d["sleeve"])
    sheet.box(view, -4, half - 0.7, 8, top - disc / 2 - half + 1.5)
    sheet.circle(view, 0, 0, p["tube_diameter"] + p["tube_clearance"], "#ffffff")
    sheet.circle(view, 0, top, disc)
    if which == "front":
        inside, hair = p["front_ring_inside"], p["hair_width"]
        sheet.circle(view, 0, top, inside, "#ffffff")
        sheet.box(view, -inside / 2, top - hair / 2, inside, hair)
        sheet.box(view, -hair / 2, top - inside / 2, hair, inside)
        sheet.note(view, (inside / 2 - 1, top + 5), f"ring {number(disc)} outside, {number(inside)} inside", (-64, -22))
        sheet.note(view, (-4, top), f"cross-hairs {number(hair)}", (-56, 20))
    else:
        sheet.circle(view, 0, top, p["peep_diameter"], "#ffffff")
        sheet.note(view, (1, top), f"peep {number(p['peep_diameter'])}, nothing in it", (60, -20))
        sheet.note(view, (disc / 2, top - 3), f"plate {number(disc)}, {number(p['sight_thickness'])} thick", (38, 14))
    sheet.along(view, 0, top, -half, -22)
    sheet.note(
        view,
        (0, -half + 2),
        f"bore {number(p['tube_diameter'] + p['tube_clearance'])}; flat foot: level on a table",
        (52 if which == "rear" else -52, -6),
    )
    sheet.text(
        view.x, view.y + 2.2 * half + 18, f"{which} sight, {_extent(p, which + '_sight')}", 11, anchor="middle", weight="bold"
    )


def body(p: Sizes) -> str:
    """The body from above and from the front, with its axes."""
    d = derived(p)
    sheet = _sheet(
        960,
        560,
        "Body: pockets for board and sensor, wings for the buttons",
        "Millimetres. Drawn from hardware/mount/mount.scad. Printed as drawn, flat side down, without supports.",
    )
    view = View(110, 280, 4.2)
    w, length, wing = d["body_width"], d["body_length"], p["wing_width"]
    imu_x, imu_w = p["land_length"] + p["wall"], p["imu_width"] + 2 * p["fit"]
    board_x, board_room = imu_x + p["imu_length"] + p["wall"], p["board_length"] + 2 * p["fit"]
    for side in (-1, 1):
        sheet.box(view, length / 2 - p["wing_length"] / 2, side * w / 2, p["wing_length"], side * wing)
        sheet.circle(view, length / 2, side * (w + wing) / 2, p["button_hole"], "#ffffff")
        words = "REFERENCE" if side > 0 else "MARK"
        sheet.note(
            view, (length / 2 + 6, side * (w + wing) / 2), f"{words} button, hole {number(p['button_hole'])}", (70, -10 * side)
        )
    sheet.box(view, 0, -w / 2, length, w)
    sheet.box(view, p["land_length"], -w / 2, length - 2 * p["land_length"], w)
    sheet.box(view, imu_x, -imu_w / 2, p["imu_length"], imu_w, "#ffffff")
    sheet.box(view, board_x, -w / 2 + p["wall"], board_room, w - 2 * p["wall"], "#ffffff")
    sheet.box(view, imu_x, -p["imu_width"] / 2, 20, p["imu_width"], BOARD)
    sheet.box(view, board_x + p["fit"], -p["board_width"] / 2, p["board_length"], p["board_width"], BOARD)
    x, y = view.at(imu_x + 3, 0)
    sheet.note(view, (imu_x + 18, 6), "sensor board", (-40, -110))
    _arrow(sheet, (x + 4, y + 20), (x + 58, y + 20), "x")
    _arrow(sheet, (x + 4, y + 20), (x + 4, y - 22), "y")
    sheet.text(x + 14, y + 6, "z up, to you", 10.5, colour=HELP)
    sheet.text(
        view.at(board_x + 3, 0)[0],
        view.at(0, 0)[1] + 4,
        f"RP2040 board {number(p['board_length'])} x {number(p['board_width'])}, USB forward",
        11,
    )
    sheet.across(view, 0, length, -w / 2 - wing, 34)
    sheet.across(view, imu_x, imu_x + p["imu_length"], w / 2, -14)
    sheet.across(view, board_x, board_x + board_room, w / 2, -14)
    sheet.along(view, -imu_w / 2, imu_w / 2, imu_x, -70)
    sheet.along(view, -w / 2, w / 2, 0, -52)
    sheet.across(view, length / 2 - p["wing_length"] / 2, length / 2 + p["wing_length"] / 2, -w / 2 - wing, 14)
    _body_front(sheet, View(780, 260, 4.2), p)
    sheet.text(
        24,
        500,
        f"body, {_extent(p, 'body')}. Push the sensor against the rear wall of its pocket and against one side; foam tape under it.",
        11.5,
    )
    sheet.text(
        24,
        518,
        "Components up; the arrow X printed on it forward. If it only fits with X to the left, right or back: set body_from_sensor (build guide, step 5).",
        11.5,
    )
    sheet.text(
        24,
        540,
        "A cable tie over each land holds the body on the tube. No magnetometer: nothing here needs one.",
        11.5,
        colour=HELP,
    )
    return sheet.svg()


def _body_front(sheet: Sheet, view: View, p: Sizes) -> None:
    d = derived(p)
    w, base, wing, g = d["body_width"], p["axis_to_body"], p["wing_width"], d["groove_top"]
    for side in (-1, 1):
        sheet.box(view, side * w / 2, base, side * wing * 0.45, p["wing_thickness"], dash="none")
    inside = w / 2 - p["wall"]
    top, floor = base + d["body_height"], base + d["pocket_floor"]
    sheet.polygon(
        view,
        [
            (-w / 2, base),
            (-g, base),
            (0, base + g),
            (g, base),
            (w / 2, base),
            (w / 2, top),
            (inside, top),
            (inside, floor),
            (-inside, floor),
            (-inside, top),
            (-w / 2, top),
        ],
    )
    sheet.circle(view, 0, 0, p["tube_diameter"], TUBE)
    sheet.box(view, -p["board_width"] / 2, floor + p["board_rise"], p["board_width"], 1, BOARD)
    sheet.along(view, base, top, w / 2, 26)
    sheet.along(view, 0, base, w / 2, 58, number(base))
    sheet.axis(view, (-20, 0), (20, 0))
    sheet.across(view, -w / 2, w / 2, top, -14)
    sheet.note(view, (5, base + g - 5), "groove 90 deg", (-92, 40))
    sheet.note(view, (-7, -7), f"tube {number(p['tube_diameter'])}", (-40, 24))
    sheet.text(view.x, view.y + 80, "section, seen from the front", 11, anchor="middle", weight="bold")


def _arrow(sheet: Sheet, start: tuple[float, float], end: tuple[float, float], name: str) -> None:
    sheet.path([start, end], closed=False, stroke=HELP, width="2")
    flat = start[1] == end[1]
    wings = [(end[0] - 8, end[1] - 4), (end[0] - 8, end[1] + 4)] if flat else [(end[0] - 4, end[1] + 8), (end[0] + 4, end[1] + 8)]
    sheet.path([end, *wings], fill=HELP, stroke=HELP, width="1")
    sheet.text(end[0] + (4 if flat else 6), end[1] + (4 if flat else 8), name, 13, colour=HELP, weight="bold")


def stand(p: Sizes) -> str:
    """The stand cut through the azimuth axis, and the base from above."""
    d = derived(p)
    sheet = _sheet(
        960,
        620,
        "Stand: fork, turntable, base with three levelling bolts, encoder",
        "Millimetres. Drawn from hardware/mount/mount.scad. Section through the azimuth axis; the unit's handle hangs between the cheeks.",
    )
    view, table = View(270, 320, 2.8), p["turntable_diameter"]
    shaft, bore, plate = p["shaft_diameter"], p["shaft_diameter"] + p["bearing_clearance"], p["plate_thickness"]
    end = -plate - p["bearing_length"]
    foot = p["foot_radius"]
    for side in (-1, 1):
        sheet.box(view, side * bore / 2, -plate, side * (foot + 13 - bore / 2), plate)
        sheet.box(view, side * bore / 2, end, side * (p["sleeve_diameter"] - bore) / 2, p["bearing_length"])
        sheet.box(view, side * foot - 3, -plate - 42, 6, 46 + plate, "#cccccc")
        sheet.box(view, side * foot - 5, -plate - 46, 10, 4, "#cccccc")
        sheet.box(view, side * foot - p["nut_width"] / 2, -plate, p["nut_width"], p["nut_depth"], "#b5b5b5")
        sheet.box(
            view, side * d["fork_inside"] / 2, p["turntable_thickness"], side * p["fork_cheek"], p["pivot_height"] + 15, "#e4e9ee"
        )
    sheet.box(view, -d["fork_inside"] / 2, p["turntable_thickness"], d["fork_inside"], p["fork_floor"], "#e4e9ee")
    sheet.box(view, -table / 2, 0, table, p["turntable_thickness"], "#d7dee6")
    sheet.box(view, -shaft / 2, end + p["shaft_recess"], shaft, d["shaft"], "#d7dee6")
    sheet.box(view, -p["magnet_diameter"] / 2, end + p["shaft_recess"], p["magnet_diameter"], p["magnet_depth"], "#c0504d")
    sheet.polygon(
        view,
        [
            (-22, end),
            (-p["encoder_width"] / 2, end),
            (-p["encoder_width"] / 2, end - p["encoder_depth"]),
            (p["encoder_width"] / 2, end - p["encoder_depth"]),
            (p["encoder_width"] / 2, end),
            (22, end),
            (22, end - p["cap_thickness"]),
            (-22, end - p["cap_thickness"]),
        ],
    )
    sheet.box(view, -11.5, end - p["encoder_depth"], 23, 1.6, BOARD)
    sheet.box(view, -2.5, end - p["encoder_depth"] + 1.6, 5, p["encoder_height"] - 1.6, "#333333")
    pivot = p["turntable_thickness"] + p["pivot_height"]
    sheet.axis(view, (-34, pivot), (34, pivot))
    sheet.axis(view, (0, pivot + 12), (0, end - 16))
    gap = p["shaft_recess"] + p["encoder_depth"] - p["encoder_height"]
    sheet.along(view, p["turntable_thickness"], pivot, d["fork_inside"] / 2 + p["fork_cheek"], 40)
    sheet.along(view, 0, -plate, foot + 13, 20)
    sheet.along(view, -plate, end, -p["sleeve_diameter"] / 2, -40)
    sheet.across(view, -d["fork_inside"] / 2, d["fork_inside"] / 2, pivot + 15, -12)
    sheet.across(view, -foot, 0, -plate - 46, 30, f"{number(foot)} to a levelling bolt")
    sheet.note(view, (3, end + 2), f"magnet 6 x {number(p['magnet_depth'])}, flush: gap to the chip {number(gap)}", (90, 110))
    sheet.note(view, (11, end - 3.4), "encoder board 23 x 23 in its cap", (66, 120))
    sheet.note(view, (foot + 2, -plate - 20), "M6 bolt, head down: foot and knob", (26, 14))
    sheet.note(view, (-shaft / 2 + 1, -20), f"shaft {number(shaft)} in bore {number(bore)}", (-92, 40))
    _base_plan(sheet, View(740, 210, 1.7), p)
    for line, part in enumerate(("fork", "turntable", "base", "encoder_cap", "handle")):
        sheet.text(680, 438 + 17 * line, f"{part}: {_extent(p, part)}", 11)
    sheet.text(
        24,
        570,
        "One M6 nut lies in its trap under the plate, the second locks. The AS5600 wants the chip 0.5 to 3 mm from the magnet.",
        11.5,
    )
    sheet.text(
        24,
        590,
        "Level the base with a spirit level on the turntable in two directions, then lock the nuts. Keep steel 30 mm away from the magnet.",
        11.5,
    )
    return sheet.svg()


def _base_plan(sheet: Sheet, view: View, p: Sizes) -> None:
    foot, half = p["foot_radius"], p["turntable_diameter"] / 2
    corners = [(radians(turn), radians(turn + lean)) for turn in (0, 120, 240) for lean in range(-60, 61, 10)]
    sheet.polygon(view, [(foot * cos(a) + FOOT * cos(b), foot * sin(a) + FOOT * sin(b)) for a, b in corners])
    for turn in (0, 120, 240):
        sheet.circle(view, foot * cos(radians(turn)), foot * sin(radians(turn)), 6.6, "#ffffff")
    sheet.circle(view, 0, 0, 2 * half)
    sheet.circle(view, 0, 0, p["shaft_diameter"] + p["bearing_clearance"], "#ffffff")
    sheet.across(view, 0, foot, -half, 70)
    sheet.note(view, (half * 0.6, half * 0.8), f"turntable {number(2 * half)}", (50, -30))
    sheet.text(view.x, view.y + 165, "base and turntable from above", 11, anchor="middle", weight="bold")


def wood(p: Sizes) -> str:
    """The variant without a printer, with the same distance and the same peep."""
    below = "Millimetres. Sight distance and peep as in hardware/mount/mount.scad; the rest is cut to length."
    sheet = _sheet(960, 640, "Without a printer: lath, pipe and washer", below)
    view, dist, sight = View(110, 250, 2.2), p["sight_distance"], 62.0
    length = p["tube_length"] + 20
    rear = (length - dist) / 2
    front = rear + dist
    sheet.box(view, 0, 0, length, 30, WOOD)
    for x in (rear - 10, front - 10):
        sheet.box(view, x, 30, 20, 20, WOOD)
    sheet.box(view, rear - 1, 47, 2, 30, "#cccccc")
    sheet.box(view, front - 10, 46, 20, 32, TUBE)
    sheet.box(view, rear + 24, 30, 20, 4, BOARD)
    sheet.box(view, rear + 60, 30, p["board_length"], 5, BOARD)
    sheet.box(view, length / 2 - 12.5, -110, 25, 108, WOOD)
    sheet.box(view, length / 2 - 20, -70, 40, 90, "#ead7b5")
    sheet.circle(view, length / 2, 12, 8, "#cccccc")
    sheet.axis(view, (-18, sight), (length + 16, sight))
    sheet.across(view, rear, front, 78, -26, f"{number(dist)} washer to threads")
    sheet.across(view, 0, length, 0, 34, f"lath {number(length)} x 30 x 30, planed straight")
    sheet.along(view, 30, sight, length, 22)
    sheet.along(view, 0, -110, length / 2 - 20, -30)
    sheet.note(view, (rear - 6, 36), "blocks 20 x 20 x 30, glued", (-30, 70))
    sheet.note(view, (rear, 68), f"washer 30, hole {number(p['peep_diameter'])} to 5, 3 deep in a saw cut", (20, -14))
    sheet.note(view, (front - 6, 55), "ring: 20 of 32 mm pipe, in a notch 4 deep", (-40, 22))
    sheet.note(view, (rear + 34, 34), "sensor on foam tape against a glued strip", (16, -24))
    sheet.note(view, (rear + 90, 32), "board, cable tie", (22, 28))
    sheet.note(view, (length / 2 + 16, -50), "two plywood cheeks 90 x 40 x 6, bolt M8 with wing nut: tilt", (30, 0))
    sheet.note(view, (length / 2 + 10, -90), "broom stick 25", (40, 0))
    ring = View(150, 520, 3.0)
    sheet.circle(ring, 0, 0, 32, TUBE)
    sheet.circle(ring, 0, 0, 28, "#ffffff")
    sheet.path([ring.at(-14, 0), ring.at(14, 0)], closed=False, width="2")
    sheet.path([ring.at(0, -14), ring.at(0, 14)], closed=False, width="2")
    sheet.note(ring, (9, 6), "ring: two black threads", (40, -8))
    sheet.text(ring.x + 70, ring.y + 12, "in four saw cuts, glued", 10.5)
    stick = View(620, 500, 1.6)
    sheet.box(stick, -100, -6, 200, 6, WOOD)
    sheet.box(stick, -16, -60, 32, 54, TUBE)
    sheet.box(stick, -12.5, -56, 25, 76, WOOD)
    sheet.note(stick, (16, -40), "the stick turns in 32 mm pipe (27 or more inside)", (40, 10))
    sheet.note(stick, (90, -3), "plywood disc 200 on a post", (10, 30))
    sheet.across(stick, -100, 100, 0, -8, "200")
    sheet.text(360, 606, "Paper scale on the rim of the disc: 1 mm is 0.57 deg. A wire on the stick points at it.", 11)
    sheet.text(24, 630, SUN, 13, weight="bold", colour=WARN)
    return sheet.svg()


SHEETS = {"sighting-unit": overview, "body": body, "stand": stand, "without-a-printer": wood}
