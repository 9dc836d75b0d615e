"""The desk's pages. They show snapshots and add decisions; nothing here talks to a unit or touches a record."""

import hashlib
import secrets
import threading
import time
from functools import partial
from typing import Final

from flask import Flask, Response, redirect, render_template, request, session
from jinja2 import StrictUndefined
from markupsafe import Markup
from werkzeug.exceptions import BadRequest, Forbidden, HTTPException, NotFound, TooManyRequests
from werkzeug.wrappers import Response as AnyResponse

from apexfix.csv_table import utc_text
from apexfix.decisions import Decision, add_decision, flight_from
from apexfix.desk.guard import PAGE_POLICY, REPORT_POLICY, Door, TooManyTries, is_own_host, is_own_origin
from apexfix.desk.values import MarkCard, Snapshot
from apexfix.desk.worker import Desk
from apexfix.errors import FileError
from apexfix.fields import Unfit
from apexfix.report.html import day_html
from apexfix.report.rounding import Manner, time_words

SECTIONS: Final = ("headline", "trouble", "marks", "flights", "units", "notes")
_LARGEST_FORM: Final = 16_384  # bytes
_IN: Final = "in"  # in the session's cookie: this browser gave the PIN
_WITHOUT_PIN: Final = {"pin", "static"}


def desk_app(desk: Desk, door: Door | None) -> Flask:
    """Return the pages of a desk.

    Parameters
    ----------
    door
        The PIN to ask for where the desk is open to the network; None where it answers this computer alone.
    """
    app = Flask("apexfix.desk")
    app.secret_key = secrets.token_bytes(32)
    app.config.update(
        SESSION_COOKIE_NAME="apexfix_desk", SESSION_COOKIE_HTTPONLY=True, SESSION_COOKIE_SAMESITE="Strict",
        MAX_CONTENT_LENGTH=_LARGEST_FORM,
    )  # fmt: skip
    app.jinja_options = {"undefined": StrictUndefined, "trim_blocks": True, "lstrip_blocks": True}
    _guard(app, door)
    _show(app, desk)
    _change(app, desk)
    return app


# --- who may --------------------------------------------------------------------------------------------------------


def _guard(app: Flask, door: Door | None) -> None:
    @app.before_request
    def check() -> AnyResponse | None:
        host = request.headers.get("Host", "")
        if not is_own_host(host, door is not None):
            raise Forbidden("The desk answers to its address only, as it stands on the console of its computer.")
        if request.method == "POST" and not is_own_origin(request.headers.get("Origin"), host):
            raise Forbidden("This change did not come from a page of the desk.")
        if door is not None and not session.get(_IN) and request.endpoint not in _WITHOUT_PIN:
            return redirect("/pin", 303)
        return None

    @app.after_request
    def harden(answer: Response) -> Response:
        answer.headers.setdefault("Content-Security-Policy", PAGE_POLICY)
        answer.headers["X-Content-Type-Options"] = "nosniff"
        answer.headers["Referrer-Policy"] = "same-origin"
        answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        answer.headers.setdefault("Cache-Control", "no-cache")
        return answer

    @app.errorhandler(HTTPException)
    def refuse(error: HTTPException) -> tuple[str, int]:
        return render_template("refusal.html", error=error), error.code or 500

    @app.route("/pin", methods=["GET", "POST"])
    def pin() -> str | AnyResponse:
        if door is None:
            raise NotFound("This desk asks for no PIN.")
        if request.method == "GET":
            return render_template("pin.html", wrong=False)
        try:
            if not door.opens(request.form.get("pin", "")):
                return render_template("pin.html", wrong=True)
        except TooManyTries as tries:
            raise TooManyRequests("Too many wrong PINs came. Wait a minute, then try again.") from tries
        session[_IN] = True
        return redirect("/", 303)


# --- what is seen ---------------------------------------------------------------------------------------------------


def _show(app: Flask, desk: Desk) -> None:
    @app.get("/")
    def page() -> str:
        return render_template("page.html", sections=_sections(desk), site=desk.snapshot.board.site)

    @app.get("/state")
    def state() -> Response:
        answer = Response(app.json.dumps(_sections(desk)), mimetype="application/json")
        answer.set_etag(hashlib.sha256(answer.get_data()).hexdigest())
        answer.make_conditional(request.environ)
        return answer

    @app.get("/report")
    def report() -> Response:
        day = desk.answers
        if day is None:
            raise NotFound(desk.snapshot.trouble or "Nothing of this day was reduced yet.")
        answer = Response(day_html(day, desk.snapshot.manner), mimetype="text/html")
        answer.headers["Content-Security-Policy"] = REPORT_POLICY
        return answer


def _sections(desk: Desk) -> dict[str, tuple[str, str]]:
    """Return the parts of the page that change, by the name of their place: a checksum, and markup."""
    shown, working = desk.snapshot, desk.working
    hour = partial(_hour, shown.manner)
    parts = {name: render_template(f"{name}.html", shown=shown, board=shown.board, working=working, hour=hour) for name in SECTIONS}
    return {name: (hashlib.sha256(part.encode()).hexdigest()[:16], part) for name, part in parts.items()}


def _hour(manner: Manner, utc_us: int) -> Markup:
    """Return the hour of a moment at the place, in an element that tells a program the moment."""
    hour = time_words(utc_us, manner).split(" ", 1)[1]
    return Markup('<time datetime="{}">{}</time>').format(utc_text(utc_us), hour)


# --- what is changed ------------------------------------------------------------------------------------------------


def _change(app: Flask, desk: Desk) -> None:
    one_at_a_time = threading.Lock()

    def decide(mark: str, verdict: int | str, note: str) -> AnyResponse:
        decision = Decision(time.time_ns() // 1000, mark, verdict, note)
        try:
            with one_at_a_time:
                add_decision(desk.folder, decision)
        except FileError as error:
            raise BadRequest(str(error)) from error
        desk.refresh()
        return redirect("/#marks", 303)

    @app.post("/settle")
    def settle() -> AnyResponse:
        mark = _known(desk.snapshot, request.form.get("mark", ""))
        try:  # the button for a number that was typed is worth nothing itself
            verdict = flight_from(request.form.get("flight", "") or request.form.get("other", "").strip())
        except Unfit as unfit:
            raise BadRequest(str(unfit)) from unfit
        return decide(mark.name, verdict, request.form.get("note", ""))

    @app.post("/undo")
    def undo() -> AnyResponse:
        return decide(_known(desk.snapshot, request.form.get("mark", "")).name, "", "")


def _known(shown: Snapshot, name: str) -> MarkCard:
    for mark in shown.board.marks:
        if mark.name == name:
            return mark
    raise BadRequest("That mark is not among those in doubt or settled any more; load the page again.")
