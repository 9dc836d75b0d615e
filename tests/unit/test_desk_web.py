"""The pages of the desk: what they show, what they refuse, what they write."""

import json
import re
import time
from functools import partial

import pytest

from apexfix.archive import ARCHIVE_NAME
from apexfix.cli.reduction import answered
from apexfix.decisions import ASSIGNMENTS_NAME, read_decisions
from apexfix.desk.guard import Door
from apexfix.desk.web import desk_app
from apexfix.desk.worker import Desk, Habits
from apexfix.reduce.options import Options

OWN = {"Origin": "http://localhost"}  # the test client's own host
HOSTILE = "<img src=x onerror=alert(1)>"
MARK = "u01-u01l-4"


def tilted(sine, cosine):
    """A quaternion that lifts the tube by twice the angle of that sine and cosine; about y, so with a minus."""
    return (cosine, 0.0, -sine, 0.0)


@pytest.fixture
def day(hand_day):
    """Two stations, two flights 45 degrees up, and between them a mark of A alone; A has a hostile name."""
    press, up = hand_day.press, tilted(0.38268343, 0.92387953)  # of 22.5 degrees
    hand_day.unit("u01", [hand_day.boot("u01"), press(550, 1, 2), *(press(at_s, 1, 1, up) for at_s in (600.0, 1100.0, 1800.0))])
    hand_day.unit("u02", [hand_day.boot("u02"), press(550, 1, 2), *(press(at_s, 1, 1, up) for at_s in (600.3, 1800.2))])
    site = hand_day.folder / "site.toml"
    site.write_text(site.read_text().replace('id = "A"', f'id = "{HOSTILE}"').replace("Packed by hand", f"{HOSTILE} & meadow"))
    return hand_day.folder


@pytest.fixture
def desk(day):
    """A desk that works, at no port."""
    desk = Desk(day, partial(answered, options=Options()), Habits(ports=()))
    desk.start()
    assert desk.refresh()
    yield desk
    desk.stop()


@pytest.fixture
def client(desk):
    return desk_app(desk, None).test_client()


def files(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


# --- what is seen ---------------------------------------------------------------------------------------------------


def test_the_page_shows_the_newest_height_the_mark_in_doubt_and_the_flights(client):
    page = client.get("/").text
    height_m, low_high = re.findall('<span class="figures">(.*?)</span>', page)
    assert float(height_m) == pytest.approx(101.5, abs=2.0)  # 45 degrees up from 100 m away and 1.5 m above the pad
    low_m, high_m = map(float, low_high.split("–"))
    assert low_m < 101.5 < high_m
    assert "accepted" in page
    assert f'name="mark" value="{MARK}"' in page
    assert len(re.findall(r"<summary", page)) == 2


def test_what_came_from_a_file_is_escaped_everywhere(client):
    for text in (
        client.get("/").text,
        *(part for _, part in json.loads(client.get("/state").text).values()),
        client.get("/report").text,
    ):
        assert "<img" not in text
    assert "&lt;img src=x onerror=alert(1)&gt; &amp; meadow" in client.get("/").text


def test_nothing_from_outside_and_no_inline_script_may_run_on_a_page(client):
    for path in ("/", "/state", "/nothing-here", "/static/desk.js"):
        with client.get(path) as answer:
            policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert not re.search(r"https?:|\*", policy)
    assert not re.search(r"<script(?! src=\"/static/)|<style|\son\w+=\"|\sstyle=", client.get("/").text)


def test_the_report_is_whole_but_shut_off_from_the_desk(client):
    answer = client.get("/report")
    assert answer.text.startswith("<!doctype html>")
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("sandbox ")
    assert "allow-same-origin" not in policy
    assert "default-src 'none'" in policy
    assert "connect-src" not in policy


def test_what_did_not_change_is_not_sent_again(client, desk):
    first = client.get("/state")
    tag = {"If-None-Match": first.headers["ETag"]}
    again = client.get("/state", headers=tag)
    assert (again.status_code, again.data) == (304, b"")
    client.post("/settle", data={"mark": MARK, "flight": "-"}, headers=OWN)
    changed = client.get("/state", headers=tag)
    assert changed.status_code == 200
    before, after = json.loads(first.text), json.loads(changed.text)
    assert before["marks"] != after["marks"]
    assert before["units"] == after["units"]


# --- what is changed ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "verdict"),
    [
        ({"flight": "2", "note": "sure"}, 2),
        ({"flight": "-"}, "-"),
        ({"flight": "", "other": " 12 "}, 12),
        ({"flight": "3", "other": "12"}, 3),
    ],
)
def test_a_mark_is_settled_by_one_more_line_and_the_next_page_shows_it(client, day, form, verdict):
    answer = client.post("/settle", data={"mark": MARK, **form}, headers=OWN)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/#marks")
    assert [(d.mark, d.verdict, d.note) for d in read_decisions(day)] == [(MARK, verdict, form.get("note", ""))]
    assert f'id="undo-{MARK}"' in client.get("/").text
    client.post("/undo", data={"mark": MARK}, headers=OWN)
    assert read_decisions(day)[-1].verdict == ""
    assert f'id="undo-{MARK}"' not in client.get("/").text


def test_a_change_touches_the_file_of_decisions_and_nothing_else(client, day):
    before = files(day)
    client.post("/settle", data={"mark": MARK, "flight": "2"}, headers=OWN)
    client.post("/undo", data={"mark": MARK}, headers=OWN)
    after = files(day)
    assert after.pop(ASSIGNMENTS_NAME)
    assert after == before
    assert ARCHIVE_NAME in before


@pytest.mark.parametrize(
    "form",
    [
        {},
        {"mark": MARK},
        {"mark": MARK, "flight": "0"},
        {"mark": MARK, "flight": "two"},
        {"mark": "u01-x-1", "flight": "1"},
        {"mark": MARK, "flight": "1", "note": "x" * 5000},
        {"mark": MARK, "flight": "", "other": "=1+1"},
    ],
)
def test_what_cannot_be_meant_is_refused_in_words_and_nothing_is_written(client, day, form):
    before = files(day)
    answer = client.post("/settle", data=form, headers=OWN)
    assert answer.status_code == 400
    assert "Back to the desk" in answer.text
    assert files(day) == before


@pytest.mark.parametrize("origin", [{}, {"Origin": "null"}, {"Origin": "http://evil.example"}, {"Origin": "http://localhost:8321"}])
@pytest.mark.parametrize("path", ["/settle", "/undo", "/pin"])
def test_a_change_from_another_page_is_refused(client, day, origin, path):
    before = files(day)
    assert client.post(path, data={"mark": MARK, "flight": "2"}, headers=origin).status_code == 403
    assert files(day) == before


def test_a_change_is_never_made_by_a_link(client):
    assert client.get(f"/settle?mark={MARK}&flight=2").status_code == 405


def test_a_form_beyond_all_measure_is_refused(client, day):
    assert client.post("/settle", data={"mark": MARK, "flight": "2", "note": "x" * 100_000}, headers=OWN).status_code == 413
    assert read_decisions(day) == ()


@pytest.mark.parametrize("path", ["/", "/state", "/report", "/static/desk.js"])
def test_a_foreign_name_for_this_computer_is_refused(client, path):
    answer = client.get(path, headers={"Host": "evil.example:8321"})
    assert answer.status_code == 403
    assert MARK not in answer.text


@pytest.mark.parametrize("path", ["/static/../web.py", "/static/%2e%2e/web.py", "/static/..%5cweb.py", "/archive.sqlite"])
def test_no_other_file_is_given_out(client, path):
    assert client.get(path).status_code == 404


def test_a_desk_for_this_computer_alone_asks_for_no_pin(client):
    assert client.get("/pin").status_code == 404


# --- the PIN --------------------------------------------------------------------------------------------------------


@pytest.fixture
def guarded(desk):
    return desk_app(desk, Door("048151", time.monotonic))


@pytest.mark.parametrize("path", ["/", "/state", "/report"])
def test_without_the_pin_nothing_of_the_day_is_shown(guarded, path):
    answer = guarded.test_client().get(path)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/pin")
    assert MARK not in answer.text


def test_without_the_pin_nothing_is_changed(guarded, day):
    answer = guarded.test_client().post("/settle", data={"mark": MARK, "flight": "2"}, headers=OWN)
    assert answer.headers["Location"] == "/pin"
    assert read_decisions(day) == ()


def test_the_pin_lets_a_browser_in_by_a_cookie_that_no_script_and_no_other_site_gets(guarded):
    client = guarded.test_client()
    answer = client.post("/pin", data={"pin": "048 151"}, headers=OWN)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/")
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "048151" not in cookie
    assert client.get("/").status_code == 200
    assert guarded.test_client().get("/").status_code == 303  # another browser is not in


def test_a_cookie_that_somebody_wrote_himself_opens_nothing(guarded):
    client = guarded.test_client()
    client.set_cookie(
        "apexfix_desk", "eyJpbiI6dHJ1ZX0.aaaaaa.AAAAAAAAAAAAAAAAAAAAAAAAAAA", domain="127.0.0.1"
    )  # {"in":true}, unsigned
    assert client.get("/").status_code == 303


def test_wrong_pins_are_told_and_then_refused(guarded):
    client = guarded.test_client()
    for _ in range(5):
        answer = client.post("/pin", data={"pin": "000000"}, headers=OWN)
        assert (answer.status_code, "That is not the PIN" in answer.text, "Set-Cookie" in answer.headers) == (200, True, False)
    assert client.post("/pin", data={"pin": "048151"}, headers=OWN).status_code == 429
