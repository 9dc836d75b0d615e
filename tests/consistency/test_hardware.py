"""Wires, pins, diagram, parts list, mount, drawings and build guide must agree; and the checks must notice when they do not."""

import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
PARTS = ("front_sight", "rear_sight", "body", "handle", "fork", "turntable", "base", "encoder_cap")


@pytest.fixture(scope="module", autouse=True)
def hardware_on_the_path():
    """The scripts of hardware/ import each other by their bare names, as they do when they are run."""
    sys.path.insert(0, str(HARDWARE))
    yield
    sys.path.remove(str(HARDWARE))


@pytest.fixture(scope="module")
def tables():
    import tables

    return tables


@pytest.fixture(scope="module")
def wiring(tables):
    return tables.rows(HARDWARE / "wiring.csv")


@pytest.fixture(scope="module")
def bom(tables):
    return tables.rows(HARDWARE / "bom.csv")


@pytest.fixture(scope="module")
def sizes(tables):
    return tables.parameters((HARDWARE / "mount" / "mount.scad").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def pins_source(root):
    return (root / "firmware" / "pins.py").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def guide(root):
    return (root / "docs" / "build.md").read_text(encoding="utf-8")


def swapped(wiring, one, other):
    """A copy of the table with two pins exchanged."""
    exchange = {one: other, other: one}
    return [row | {"board_pin": exchange.get(row["board_pin"], row["board_pin"])} for row in wiring]


# --- wires


def test_the_firmware_and_the_wiring_table_name_the_same_pins(tables, wiring, pins_source):
    assert tables.pins_differ(pins_source, wiring) == []


def test_every_pin_exists_and_can_do_what_is_asked_of_it(tables, wiring):
    assert tables.pins_cannot_work(wiring) == []


def test_the_diagram_draws_every_wire_and_no_other(tables, wiring):
    import diagram

    assert tables.wires_in_diagram_differ(diagram.draw(wiring), wiring) == []


def test_the_guide_lists_every_wire_and_no_other(tables, wiring, guide):
    assert tables.wires_in_guide_differ(guide, wiring) == []


@pytest.mark.parametrize(("one", "other"), [("GP14", "GP15"), ("GP4", "GP5"), ("GP16", "GP14")])
def test_two_swapped_pins_are_noticed_everywhere(tables, wiring, pins_source, guide, root, one, other):
    wrong = swapped(wiring, one, other)
    drawn = (root / "docs" / "pictures" / "wiring.svg").read_text(encoding="utf-8")
    for complaints in (
        tables.pins_differ(pins_source, wrong),
        tables.wires_in_guide_differ(guide, wrong),
        tables.wires_in_diagram_differ(drawn, wrong),
    ):
        assert any(one in complaint for complaint in complaints)


def test_bus_pins_swapped_in_every_file_at_once_are_still_noticed(tables, wiring):
    assert any("cannot be SDA" in complaint for complaint in tables.pins_cannot_work(swapped(wiring, "GP4", "GP5")))


def test_a_pin_swapped_in_the_firmware_alone_is_noticed(tables, wiring, pins_source):
    wrong = pins_source.replace("MARK_BUTTON = 14", "MARK_BUTTON = 17")
    assert wrong != pins_source
    assert any("MARK_BUTTON" in complaint for complaint in tables.pins_differ(wrong, wiring))


def test_two_signals_on_one_pin_are_noticed(tables, wiring):
    wrong = [row | {"board_pin": "GP14"} if row["part"] == "buzzer" and row["terminal"] == "+" else row for row in wiring]
    assert tables.pins_cannot_work(wrong) == ["GP14 carries more than one signal"]


# --- parts


def test_every_wired_part_is_bought_and_every_electronic_part_is_wired(tables, bom, wiring):
    assert tables.bom_misses(bom, wiring) == []


@pytest.mark.parametrize("part", ["buzzer", "resistor", "mark button", "board", "encoder", "USB lead"])
def test_a_dropped_line_of_the_parts_list_is_noticed(tables, bom, wiring, part):
    complaints = tables.bom_misses([row for row in bom if row["part"] != part], wiring)
    assert complaints == [f"{variant}: {part} is in wiring.csv but not in bom.csv" for variant in tables.VARIANTS]


def test_a_variant_without_its_sensor_is_noticed(tables, bom, wiring):
    complaints = tables.bom_misses([row for row in bom if row["variant"] != "better"], wiring)
    assert complaints == ["better: IMU is in wiring.csv but not in bom.csv"]


def test_a_part_without_a_wire_is_noticed(tables, bom, wiring):
    complaints = tables.bom_misses(bom, [row for row in wiring if row["part"] != "buzzer"])
    assert any("buzzer is in bom.csv but has no wire" in complaint for complaint in complaints)


def test_no_part_is_a_magnetometer_or_a_lens(bom):
    for row in bom:
        assert not re.search(r"magnetometer|compass chip|lens|telescop|binocular", " ".join(row.values()), re.IGNORECASE), row


def test_the_guide_quotes_the_sum_of_the_estimates(bom, guide):
    told = [int(euro) for euro in re.findall(r"(\d+) EUR", guide)]
    sums = [
        round(sum(float(row["estimate_eur"]) for row in bom if row["kind"] == "electronic" and row["variant"] in ("both", name)))
        for name in ("cheapest", "better")
    ]
    assert told == sums


# --- pages


def test_every_link_and_picture_of_the_hardware_pages_leads_somewhere(tables, root):
    for page in (root / "docs" / "build.md", root / "docs" / "field-card.md", HARDWARE / "README.md"):
        assert tables.links_broken(page.read_text(encoding="utf-8"), page.parent) == [], page.name


@pytest.mark.parametrize("target", ["pictures/wiring.svg", "../hardware/bom.csv", "guide.md"])
def test_a_broken_link_is_noticed(tables, guide, root, target):
    wrong = guide.replace(f"({target})", f"({target}x)")
    assert tables.links_broken(wrong, root / "docs") == [f"a link leads to {target}x, which does not exist"]


def test_the_guide_quotes_the_sizes_of_the_mount(tables, guide, sizes):
    assert len(re.findall(r"`\w+ = [\d.]+`", guide)) >= 6
    assert tables.numbers_in_guide_differ(guide, sizes) == []


def test_a_changed_size_of_the_mount_is_noticed_in_the_guide(tables, guide, sizes):
    complaints = tables.numbers_in_guide_differ(guide, sizes | {"tube_diameter": 21.0})
    assert complaints == ["build.md says tube_diameter = 20, mount.scad 21.0"]


def test_the_guide_turns_the_sensor_the_way_its_arrow_points(guide):
    # conventions.md: x forward, y to the left
    body_from_x = {"forward": (1, 0, 0), "left": (0, 1, 0), "right": (0, -1, 0), "back": (-1, 0, 0)}
    told = dict(re.findall(r"^\| (\w+) \| `(\[\[.+\]\])` \|$", guide, re.MULTILINE))
    assert told.keys() == body_from_x.keys()
    for way, rows in told.items():
        turn = np.array(json.loads(rows))
        assert tuple(turn[:, 0]) == body_from_x[way]
        assert tuple(turn[:, 2]) == (0, 0, 1)  # components up
        assert np.linalg.det(turn) == pytest.approx(1.0)


def test_the_field_card_has_its_five_parts_and_the_warning(root):
    card = (root / "docs" / "field-card.md").read_text(encoding="utf-8")
    titles = re.findall(r"^## (\w+)", card, re.MULTILINE)
    assert titles == ["Before", "During", "After", "If", "Hand"]
    assert "THE SUN BLINDS" in card
    assert len(card.splitlines()) <= 60  # a page of A4 at 11 points holds about as many


# --- drawings


def test_the_pictures_of_the_pages_are_up_to_date(root):
    import render

    for name, svg in render.drawings().items():
        shown = (root / "docs" / "pictures" / f"{name}.svg").read_text(encoding="utf-8")
        assert shown == svg, f"docs/pictures/{name}.svg is old: run python hardware/render.py --pages"


def test_the_drawings_follow_the_mount(tmp_path):
    import render

    before = render.drawings()
    (tmp_path / "mount").mkdir()
    source = (HARDWARE / "mount" / "mount.scad").read_text(encoding="utf-8")
    nearer = source.replace("sight_distance = 250;", "sight_distance = 240;")
    (tmp_path / "mount" / "mount.scad").write_text(nearer, encoding="utf-8")
    (tmp_path / "wiring.csv").write_bytes((HARDWARE / "wiring.csv").read_bytes())
    after = render.drawings(tmp_path)
    assert "240 peep to cross-hairs" in after["sighting-unit"]
    assert "240 washer to threads" in after["without-a-printer"]
    assert after["wiring"] == before["wiring"]


def test_the_drawings_for_the_eye_warn_of_the_sun():
    import render

    for name in ("sighting-unit", "without-a-printer"):
        assert "THE SUN BLINDS" in render.drawings()[name]


def test_every_drawing_becomes_a_picture_of_its_own_shape():
    import render
    import resvg_py

    for svg in render.drawings().values():
        png = bytes(resvg_py.svg_to_bytes(svg_string=svg, width=400))
        width, height = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))  # PNG specification, IHDR
        told = re.search(r'viewBox="0 0 (\d+) (\d+)"', svg)
        assert (width, height) == (400, pytest.approx(400 * int(told[2]) / int(told[1]), abs=1))


# --- the printed parts


@pytest.fixture(scope="module")
def mount(tmp_path_factory):
    """Every part, rendered once, as a solid."""
    import solids

    if solids.openscad() is None:
        pytest.skip("OpenSCAD is not installed: sudo apt install openscad")
    folder = tmp_path_factory.mktemp("mount")
    return {part: solids.load(solids.render(part, folder)) for part in PARTS}


@pytest.fixture(scope="module")
def place(sizes):
    """Where things lie in the body: the tube's axis, the floor of the pockets, and where each pocket begins."""
    from sizes import derived

    imu_x = sizes["land_length"] + sizes["wall"]
    return derived(sizes) | {"axis": -sizes["axis_to_body"], "imu_x": imu_x, "board_x": imu_x + sizes["imu_length"] + sizes["wall"]}


def box(size, corner):
    import trimesh

    made = trimesh.creation.box(extents=size)
    made.apply_translation(np.add(corner, np.divide(size, 2)))
    return made


def rod(diameter, length, along, middle):
    """A round rod along x or z."""
    import trimesh

    made = trimesh.creation.cylinder(radius=diameter / 2, height=length, sections=256)
    if along == "x":
        made.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
    made.apply_translation(middle)
    return made


def test_every_part_is_one_closed_solid(mount):
    for part, solid in mount.items():
        assert solid.is_volume, f"{part} is not closed, or its faces look inward"
        assert solid.body_count == 1, f"{part} falls into {solid.body_count} pieces"


def test_a_part_with_a_hole_in_its_skin_is_noticed(mount):
    torn = mount["body"].copy()
    torn.update_faces(np.arange(len(torn.faces)) > 0)
    assert not torn.is_volume


def test_every_part_has_the_size_that_its_drawing_says(mount, sizes):
    from sizes import extents

    for part, size in extents(sizes).items():
        assert mount[part].extents == pytest.approx(size, abs=0.1), part  # a circle of 64 corners is that much smaller


def test_every_part_prints_without_supports(mount):
    import solids

    for part, solid in mount.items():
        assert solid.bounds[0, 2] == pytest.approx(0.0, abs=1e-6)
        assert solids.overhang_mm2(solid) == 0.0, part


@pytest.mark.parametrize("part", ["turntable", "body", "encoder_cap", "front_sight"])
def test_a_part_that_lies_wrong_on_the_bed_is_noticed(mount, part):
    import solids

    turned = mount[part].copy()
    turned.apply_scale([1, 1, -1])  # a mirror about the bed: what looked up looks down
    assert solids.overhang_mm2(turned) > 100.0


@pytest.mark.parametrize("sight", ["front_sight", "rear_sight"])
def test_the_sights_slide_on_a_tube_of_20_mm_and_do_not_wobble(mount, sizes, sight):
    import solids

    # conduit of 20 mm: EN 61386 allows nothing above and 0.3 mm below (from memory); a bore of 64 corners is a little narrow
    assert solids.overlap_mm3(mount[sight], rod(20.2, 40, "z", [0, 0, 7])) == pytest.approx(0.0, abs=1e-3)
    assert solids.overlap_mm3(mount[sight], rod(20.8, 40, "z", [0, 0, 7])) > 100.0  # not looser than 0.4 mm on each side
    through = rod(sizes["hair_width"] * 0.5, 40, "z", [0, sizes["sight_height"], 7])
    hair = solids.overlap_mm3(mount[sight], through)
    assert (hair > 0.1) == (sight == "front_sight")  # the line of sight meets the cross-hairs in front and nothing behind


def test_the_body_lies_on_a_tube_of_20_mm_along_two_lines(mount, place):
    import solids

    middle = [place["body_length"] / 2, 0, place["axis"]]
    assert solids.overlap_mm3(mount["body"], rod(20.0, 400, "x", middle)) == pytest.approx(0.0, abs=0.5)
    assert solids.overlap_mm3(mount["body"], rod(20.4, 400, "x", middle)) > 10.0  # it touches: 0.2 mm more would not go in


def test_the_body_stays_out_of_the_opening_of_the_front_ring(sizes, place):
    high = (place["body_length"] / 2) - sizes["land_length"]
    to_far_end = sizes["sight_distance"] / 2 + high  # from the peep to the front of the body, which lies in the middle of the tube
    lowest_ray = sizes["sight_height"] - sizes["front_ring_inside"] / 2 * to_far_end / sizes["sight_distance"]
    assert sizes["axis_to_body"] + place["body_height"] < lowest_ray


def test_the_handle_lies_against_the_same_tube(mount, sizes):
    import solids

    middle = [0, 0, sizes["grip_thickness"] / 2]
    assert solids.overlap_mm3(mount["handle"], rod(20.0, 400, "x", middle)) == pytest.approx(0.0, abs=0.5)
    assert solids.overlap_mm3(mount["handle"], rod(20.4, 400, "x", middle)) > 4.0


def test_the_board_of_51_by_21_mm_fits_its_pocket_and_no_larger_one(mount, sizes, place):
    import solids

    def overlap(length, width):
        corner = [
            place["board_x"] + sizes["fit"] - (length - 51) / 2,
            -width / 2,
            place["pocket_floor"] + sizes["board_rise"] + 0.05,
        ]
        return solids.overlap_mm3(mount["body"], box([length, width, 1.0], corner))

    assert overlap(51.0, 21.0) == pytest.approx(0.0, abs=1e-3)
    assert overlap(51.0, 22.0) > 1.0
    assert overlap(52.4, 21.0) > 1.0


def test_the_sensor_board_of_20_by_16_mm_fits_its_pocket_and_cannot_turn(mount, place):
    import solids

    def overlap(turn_deg, length=20.0):
        import trimesh

        board = box([length, 16.0, 1.6], [place["imu_x"] + 0.4, -8.0, place["pocket_floor"] + 0.05])
        board.apply_transform(trimesh.transformations.rotation_matrix(np.radians(turn_deg), [0, 0, 1], board.center_mass))
        return solids.overlap_mm3(mount["body"], board)

    assert overlap(0.0) == pytest.approx(0.0, abs=1e-3)
    assert overlap(0.0, length=25.4) == pytest.approx(0.0, abs=1e-3)
    assert overlap(4.0) > 0.1  # 0.6 mm of play over 20 mm is 1.7 degrees each way; the calibration takes out what is left


def test_a_wider_sensor_board_fits_once_its_number_is_set(mount, place, tmp_path):
    import solids

    board = box([25.4, 17.8, 1.6], [place["imu_x"] + 0.3, -8.9, place["pocket_floor"] + 0.05])
    assert solids.overlap_mm3(mount["body"], board) > 1.0
    wider = solids.load(solids.render("body", tmp_path, imu_width=17.8))
    assert solids.overlap_mm3(wider, board) == pytest.approx(0.0, abs=1e-3)
    assert wider.is_volume
    assert solids.overhang_mm2(wider) == 0.0


def test_the_turntable_turns_in_the_base_and_brings_the_magnet_to_the_encoder(mount, sizes):
    import solids

    shaft = mount["turntable"].copy()
    # as printed the base lies upside down, and so does the turntable
    shaft.apply_translation([0, 0, -sizes["turntable_thickness"]])
    assert solids.overlap_mm3(mount["base"], shaft) == pytest.approx(0.0, abs=1e-3)
    end_of_bearing, face_of_magnet = mount["base"].bounds[1, 2], shaft.bounds[1, 2]
    gap = end_of_bearing - face_of_magnet + sizes["encoder_depth"] - sizes["encoder_height"]
    assert 0.5 <= gap <= 3.0  # AS5600 data sheet: typical distance between magnet and package


def test_the_handle_goes_between_the_cheeks_of_the_fork(mount, sizes):
    import solids

    grip = box([sizes["grip_thickness"], 40, 40], [-sizes["grip_thickness"] / 2, sizes["fork_floor"] + 1, 0])
    assert solids.overlap_mm3(mount["fork"], grip) == pytest.approx(0.0, abs=1e-3)
    assert sizes["pivot_height"] - sizes["fork_floor"] > 17  # the rounded end of the handle swings clear of the floor


def test_a_part_that_does_not_exist_is_refused_with_openscads_own_words(mount, tmp_path):
    import solids

    with pytest.raises(RuntimeError, match="could not render lid"):
        solids.render("lid", tmp_path)
