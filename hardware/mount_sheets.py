"""Dimensioned drawings of the printed mount, from the numbers at the top of mount.scad and nothing else."""

from math import cos, radians, sin

from sheet import BOARD, HELP, PLASTIC, SUN, TUBE, WARN, Sheet, View, number, titled
from sizes import FOOT, Sizes, derived, extents


def _extent(p: Sizes, part: str) -> str:
    return "printed size " + " x ".join(number(size) for size in extents(p)[part])


def overview(p: Sizes) -> str:
    """The whole hand-held unit from its right side, and the two sights as the eye sees them."""
    d = derived(p)
    sheet = titled(
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
    sheet.note(view, (handle_x + 4, -p["pivot_depth"]), "elevation bolt M8 on the stand", (110, 24))
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
    sheet = titled(
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
    sheet.note(view, (imu_x + 18, 6), "sensor board", (-110, -150))
    _arrow(sheet, (x + 4, y + 20), (x + 58, y + 20), "x")
    _arrow(sheet, (x + 4, y + 20), (x + 4, y - 22), "y")
    sheet.text(x + 12, y + 8, "z to you", 10, colour=HELP)
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
        f"body, {_extent(p, 'body')}. Push the sensor against the rear wall and one side of its pocket; foam tape under it.",
        11.5,
    )
    sheet.text(
        24,
        518,
        "Components up, the arrow X printed on it forward. If X points elsewhere, set body_from_sensor (build guide, section 6).",
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
    sheet.note(view, (5, base + g - 5), "groove 90 deg", (-92, 52))
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
    sheet = titled(
        960,
        620,
        "Stand: fork, turntable, base with three levelling bolts, encoder",
        "Millimetres, from hardware/mount/mount.scad. Section through the azimuth axis; the handle goes between the cheeks.",
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
    sheet.note(view, (3, end + 2), f"magnet 6 x {number(p['magnet_depth'])}, flush: gap to the chip {number(gap)}", (90, 126))
    sheet.note(view, (11, end - 3.4), "encoder board 23 x 23 in its cap", (66, 78))
    sheet.note(view, (foot + 2, -plate - 20), "M6 bolt, head down: foot and knob", (26, 14))
    sheet.text(680, 421, f"shaft {number(shaft)} in bore {number(bore)}", 11)
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
        "Level the base with a spirit level on the turntable, two ways; lock the nuts. Cap screws of brass or nylon.",
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
