"""The drawing of the variant without a printer."""

from sheet import BOARD, SUN, TUBE, WARN, WOOD, View, number, titled
from sizes import Sizes


def wood(p: Sizes) -> str:
    """The variant without a printer, with the same distance and the same peep."""
    below = "Millimetres. Sight distance and peep as in hardware/mount/mount.scad; the rest is cut to length."
    sheet = titled(960, 680, "Without a printer: lath, pipe and washer", below)
    view, dist, sight = View(110, 290, 2.2), p["sight_distance"], 62.0
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
    sheet.across(view, 0, length, 0, 34, number(length))
    sheet.note(view, (24, 6), "lath 30 x 30, planed straight", (20, 56))
    sheet.along(view, 30, sight, length, 22)
    sheet.along(view, 0, -110, length / 2 - 20, -24)
    sheet.note(view, (rear - 6, 36), "blocks 20 x 20 x 30, glued", (14, 48))
    sheet.note(view, (rear, 68), f"washer 30, hole {number(p['peep_diameter'])} to 5, 3 deep in a saw cut", (20, -14))
    sheet.note(view, (front - 6, 55), "ring: 20 of 32 mm pipe, in a notch 4 deep", (-40, 10))
    sheet.note(view, (rear + 34, 34), "sensor on foam tape against a glued strip", (16, -24))
    sheet.note(view, (rear + 90, 32), "board, cable tie", (60, 10))
    sheet.note(view, (length / 2 + 16, -50), "two plywood cheeks 90 x 40 x 6, bolt M8 with wing nut: tilt", (30, 0))
    sheet.note(view, (length / 2 + 10, -90), "broom stick 25", (40, 0))
    ring = View(150, 560, 3.0)
    sheet.circle(ring, 0, 0, 32, TUBE)
    sheet.circle(ring, 0, 0, 28, "#ffffff")
    sheet.path([ring.at(-14, 0), ring.at(14, 0)], closed=False, width="2")
    sheet.path([ring.at(0, -14), ring.at(0, 14)], closed=False, width="2")
    sheet.note(ring, (9, 6), "ring: two black threads", (40, -8))
    sheet.text(ring.x + 70, ring.y + 12, "in four saw cuts, glued", 10.5)
    stick = View(640, 560, 1.6)
    sheet.box(stick, -100, -6, 200, 6, WOOD)
    sheet.box(stick, -16, -60, 32, 54, TUBE)
    sheet.box(stick, -12.5, -56, 25, 76, WOOD)
    sheet.note(stick, (16, -40), "the stick turns in a 32 mm pipe", (40, 10))
    sheet.note(stick, (90, -3), "plywood disc 200 on a post", (10, 30))
    sheet.across(stick, -100, 100, 0, -46, "200")
    sheet.text(24, 648, "Paper scale on the rim of the disc: 1 mm is 0.57 deg. A wire on the stick points at it.", 11)
    sheet.text(24, 670, SUN, 13, weight="bold", colour=WARN)
    return sheet.svg()
