"""Sizes that follow from the numbers at the top of mount.scad, worked out a second time for the drawings and the checks."""

from math import radians, sin, sqrt

Sizes = dict[str, float]
FOOT = 13.0  # radius of the base round a levelling bolt, as in mount.scad


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
