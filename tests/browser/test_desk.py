"""The desk, used: the real command, two units in its archive, a third that is plugged in, and a browser with a keyboard."""

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from apexfix.archive import ARCHIVE_NAME, open_archive
from apexfix.decisions import read_decisions
from apexfix.pull import pull_all
from apexfix.sim import imu
from apexfix.sim.virtual_unit import Hardware, VirtualUnit
from apexfix.units import SECOND_US

HOSTILE = "<b><img src=//192.0.2.1/x></b>"  # an address that belongs to nobody (RFC 5737)
SITE = f"""format = 1
[site]
name = "</title><script>document.title='owned'</script>"
[[station]]
id = "{HOSTILE}"
east_m = 100.0
north_m = 0.0
up_m = 1.5
unit = "u01"
[[station]]
id = "B"
east_m = 0.0
north_m = -100.0
up_m = 1.5
unit = "u02"
[[station]]
id = "C"
east_m = -70.711
north_m = 70.711
up_m = 1.5
unit = "u03"
"""
HEIGHT_M = 101.5  # every tube looks 45 degrees up from 100 m beside the pad and 1.5 m above it
STILL = imu.Faults(np.zeros(3), np.eye(3), np.zeros(3), np.eye(3), np.zeros(3), np.zeros(3), np.array([1.0, 0.0, 0.0]))
MARK_PIN, REFERENCE_PIN = 14, 15
FLOWN_S, LIVE_S = 160, 240
APEXFIX = [sys.executable, "-c", "from apexfix.cli import main; main()"]
# seconds after the start: a backsight, then marks; the second flight was seen by the first and the third unit only
PRESSES = {"u01": (30.0, 80.0, 140.0), "u02": (30.2, 140.1), "u03": (29.9, 80.2, 139.9)}


@pytest.fixture(scope="session")
def units(tmp_path_factory, micropython):
    """Three units that rest on their targets all day, pressed as above, and live from then on; and the folder of the first two."""
    folder = tmp_path_factory.mktemp("units")
    start_us = time.time_ns() // 1000 - FLOWN_S * SECOND_US
    count = (FLOWN_S + LIVE_S) * imu.SAMPLE_HZ
    motion = (np.tile([0.5**0.5, 0.0, 0.5**0.5], (count, 1)), np.zeros((count, 3)), np.full(count, 20.0))
    imu.counts(np.random.default_rng(7), imu.MPU6050, STILL, motion).tofile(folder / "samples.bin")
    built = {name: _unit(folder, name, start_us) for name in PRESSES}
    with ThreadPoolExecutor(len(built)) as pool:
        list(pool.map(lambda unit: unit.forward(start_us + FLOWN_S * SECOND_US), built.values()))
    anchor = (start_us + FLOWN_S * SECOND_US, time.time_ns() // 1000)
    for unit in built.values():
        unit.live(*anchor)
    yield built
    for unit in built.values():
        unit.close()


def _unit(folder, name, start_us):
    edges = [_edge(start_us, 20.0, REFERENCE_PIN), *(_edge(start_us, at_s, MARK_PIN) for at_s in PRESSES[name])]
    serial = f"00112233445566{name[1:]}"
    flat = tuple(edge for pair in edges for edge in pair)
    unit = VirtualUnit(folder / name, Hardware(serial, "MPU-6050", folder / "samples.bin", start_us, flat), {"unit": name})
    unit.start(start_us)
    return unit


def _edge(start_us, at_s, pin):
    at_us = start_us + round(at_s * SECOND_US)
    return (at_us, pin, 0), (at_us + 200_000, pin, 1)


@pytest.fixture(scope="session")
def pulled(units, tmp_path_factory):
    """A day folder that holds the first two units."""
    folder = tmp_path_factory.mktemp("pulled") / "day"
    folder.mkdir()
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    outcomes = pull_all([units["u01"].port, units["u02"].port], folder)
    assert [outcome.error for outcome in outcomes] == ["", ""]
    return folder


@pytest.fixture(scope="module")
def opened():
    """A function that starts ``apexfix desk`` on a folder and returns its address and its process; what still runs is ended."""
    running = []

    def start(folder, *options, listen=0):
        command = [*APEXFIX, "desk", str(folder), "--listen", str(listen), "--every", "0.3", *map(str, options)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        running.append(process)
        line = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", line)
        assert found, line
        return found[0], process

    yield start
    for process in running:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=30)


@pytest.fixture(scope="module")
def lasting(pulled, opened, tmp_path_factory):
    folder = shutil.copytree(pulled, tmp_path_factory.mktemp("still") / "day")
    return folder, opened(folder, "--port", folder / "no-such-port")[0]


@pytest.fixture
def still(lasting):
    """The folder and the address of a desk at which no unit is plugged in, and nothing is settled before the test."""
    yield lasting
    for name in ("assignments.csv", "sightings.csv"):
        (lasting[0] / name).unlink(missing_ok=True)


def raw(folder):
    with open_archive(folder / ARCHIVE_NAME) as archive:
        return tuple(archive.pieces()), tuple(archive.rows())


def flights(page):
    """The rows of the table of flights: number and height."""
    return {row.locator("th").inner_text(): row.locator("td").first.inner_text() for row in page.locator("#flights tbody tr").all()}


def seen(page, address):
    """Open the desk, and wait until the day is reduced."""
    page.goto(address)
    page.locator("#flights tbody tr").first.wait_for()
    return page


def access_key(page, key):
    """Press Alt and a key as a keyboard does: Chromium wants the letter without Alt, which playwright's own press leaves out."""
    keyboard = page.context.new_cdp_session(page)
    event = {"modifiers": 1, "key": key, "unmodifiedText": key, "windowsVirtualKeyCode": ord(key.upper())}
    for kind in ("keyDown", "keyUp"):
        keyboard.send("Input.dispatchKeyEvent", {"type": kind, **event})


def in_doubt(page):
    return page.locator("#marks form.mark:not(.settled)")


def settled(page):
    return page.locator("#marks form.settled")


# --- a unit comes ---------------------------------------------------------------------------------------------------


def test_a_unit_that_is_plugged_in_is_pulled_and_its_flight_appears(page, pulled, opened, units, tmp_path, axe_violations):
    folder, plug = shutil.copytree(pulled, tmp_path / "day"), tmp_path / "plug"
    address, process = opened(folder, "--port", plug)
    before = raw(folder)
    seen(page, address)
    assert len(flights(page)) == 2
    assert in_doubt(page).count() == 1  # the second flight, which nobody else seems to have seen
    plug.symlink_to(units["u03"].port)
    row = page.locator("#units tbody tr", has_text="u03")
    row.get_by_text("connected").wait_for()
    page.locator("#flights tbody tr >> nth=2").wait_for()
    assert set(flights(page)) == {"1", "2", "3"}
    assert in_doubt(page).count() == 0
    cells = dict(zip(page.locator("#units thead th").all_inner_texts(), row.locator("th, td").all_inner_texts(), strict=True))
    assert cells["Station"] == "C"
    assert cells["Supply"] == "4.90 V"
    assert re.fullmatch(r"\d+ flights", cells["Flash left"])
    offset_ms, unsure_ms = map(float, re.fullmatch(r"([+-][\d.]+) ± ([\d.]+) ms", cells["Clock off by"]).groups())
    assert abs(offset_ms) < 2 * unsure_ms
    assert re.match(r"\d\d:\d\d:\d\d", cells["Compared"])
    # the same heights as the command gives, asked while the desk runs
    done = subprocess.run([*APEXFIX, "reduce", str(folder), "--json"], capture_output=True, text=True, timeout=60)
    told = {str(flight["flight"]): flight["height_m"] for flight in json.loads(done.stdout)["flights"]}
    shown = flights(page)
    for number, height_m in told.items():
        assert float(shown[number].split()[0]) == pytest.approx(height_m, abs=0.051)
        assert height_m == pytest.approx(HEIGHT_M, abs=3.0)
    assert axe_violations(page) == []
    plug.unlink()
    page.locator("#units tbody tr", has_text="u03").get_by_text("silent").wait_for()
    assert raw(folder)[0][: len(before[0])] == before[0]  # what was there is there still, to the byte
    process.send_signal(signal.SIGINT)
    assert "the desk is closed" in process.communicate(timeout=30)[0]
    assert process.returncode == 0


# --- a mark in doubt ------------------------------------------------------------------------------------------------


def test_a_mark_is_settled_stays_so_over_a_reload_and_is_taken_back(page, still):
    folder, address = still
    before = raw(folder)
    seen(page, address)
    form = in_doubt(page)
    form.get_by_label("Why").fill("saw it myself, <i>really</i>")
    form.get_by_role("button", name="flight 2").click()
    settled(page).wait_for()
    assert in_doubt(page).count() == 0
    page.reload()
    assert "flight 2, because: saw it myself, <i>really</i>" in settled(page).inner_text()
    assert read_decisions(folder)[-1].verdict == 2
    settled(page).get_by_role("button", name="Undo").click()
    in_doubt(page).wait_for()
    assert settled(page).count() == 0
    assert read_decisions(folder)[-1].verdict == ""
    assert raw(folder) == before


def test_the_keyboard_alone_settles_a_mark_and_takes_it_back(page, still):
    folder, address = still
    seen(page, address)
    page.keyboard.press("Tab")
    for _ in range(60):
        if page.evaluate("document.activeElement.id.startsWith('other-')"):
            break
        looks = page.evaluate("[document.activeElement.outerHTML, getComputedStyle(document.activeElement).outlineStyle]")
        assert looks[1] == "solid", looks  # the focus is seen
        page.keyboard.press("Tab")
    page.keyboard.type("7")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    settled(page).wait_for()
    assert "flight 7" in settled(page).inner_text()
    access_key(page, "z")
    in_doubt(page).wait_for()
    access_key(page, "0")
    settled(page).get_by_text("no flight").wait_for()
    access_key(page, "z")
    in_doubt(page).wait_for()
    assert [decision.verdict for decision in read_decisions(folder)[-4:]] == [7, "", "-", ""]


def test_enter_in_the_note_settles_nothing(page, still):
    folder, address = still
    decided = len(read_decisions(folder))
    seen(page, address)
    in_doubt(page).get_by_label("Why").fill("not yet")
    page.keyboard.press("Enter")
    page.wait_for_timeout(500)
    assert len(read_decisions(folder)) == decided
    assert in_doubt(page).get_by_label("Why").input_value() == "not yet"


def test_what_a_person_types_outlives_news(page, still):
    folder, address = still
    seen(page, address)
    note = in_doubt(page).get_by_label("Why")
    note.fill("half a sen")
    (folder / "sightings.csv").write_text("flight,station,elevation_deg,azimuth_deg\n9,B,45,0\n9,C,45,135\n", encoding="utf-8")
    page.get_by_role("rowheader", name="9", exact=True).wait_for()
    page.evaluate("document.querySelector('[data-live=marks]').dataset.sum = ''; etag = ''")  # as if it had changed
    page.locator("[data-live=marks]:not([data-sum=''])").wait_for()
    assert note.input_value() == "half a sen"


# --- what it looks like, and to whom --------------------------------------------------------------------------------


def test_a_hostile_name_stays_text(page, still):
    seen(page, still[1])
    assert HOSTILE in page.locator("#flights").inner_text()
    assert HOSTILE in in_doubt(page).inner_text()
    assert page.locator("main b, main img, main script").count() == 0
    assert page.title() == "</title><script>document.title='owned'</script>: desk"
    assert page.locator("h1").inner_text() == "</title><script>document.title='owned'</script>"


def test_every_request_goes_to_the_desk(page, still):
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    seen(page, still[1])
    page.goto(f"{still[1]}report")
    assert len(asked) >= 4
    assert [url for url in asked if not url.startswith((still[1], "data:"))] == []


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (1366, 768), (1920, 1080)])
def test_the_newest_height_and_its_interval_are_a_fifth_of_the_screen_high(page, still, width, height):
    page.set_viewport_size({"width": width, "height": height})
    seen(page, still[1])
    for figures in page.locator("#headline .figures").all():
        assert figures.evaluate("element => parseFloat(getComputedStyle(element).fontSize)") >= 0.2 * height
        box = figures.bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert box["y"] + box["height"] <= height


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_no_page_keeps_anything_from_people_who_see_little(page, still, axe_violations, scheme, width):
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size({"width": width, "height": 844})
    seen(page, still[1])
    page.locator("summary").first.click()
    assert axe_violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.goto(f"{still[1]}no-such-page")
    assert axe_violations(page) == []


def test_the_tables_are_read_without_a_script(chromium, still):
    context = chromium.new_context(java_script_enabled=False)
    plain = context.new_page()
    plain.goto(still[1])
    plain.locator("#flights tbody tr").first.wait_for()
    assert len(flights(plain)) == 2
    assert "101.9" in plain.locator("#headline").inner_text()
    in_doubt(plain).get_by_role("button", name="flight 1").click()
    settled(plain).get_by_role("button", name="Undo").click()
    in_doubt(plain).wait_for()
    context.close()


def test_a_page_tells_that_the_desk_is_away_and_finds_it_again(page, pulled, opened, tmp_path):
    folder = shutil.copytree(pulled, tmp_path / "day")
    address, process = opened(folder, "--port", folder / "no-such-port")
    seen(page, address)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
    page.get_by_text("The desk does not answer").wait_for()
    opened(folder, "--port", folder / "no-such-port", listen=int(address.rsplit(":", 1)[1].strip("/")))
    page.get_by_text("The desk does not answer").wait_for(state="hidden")
    page.locator("#flights tbody tr >> nth=1").wait_for()


def test_a_desk_that_is_open_to_the_network_asks_for_its_pin_first(page, pulled, opened, axe_violations):
    address, _ = opened(pulled, "--open-to-network", "--port", pulled / "no-such-port")
    page.goto(f"{address}report")
    assert page.url == f"{address}pin"
    assert axe_violations(page) == []
    page.get_by_label("PIN").fill("not it")
    page.keyboard.press("Enter")
    page.get_by_role("alert").get_by_text("not the PIN").wait_for()
    page.goto(address)
    assert page.url == f"{address}pin"
