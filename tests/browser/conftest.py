"""A real browser without a network: Debian's Chromium through Playwright, and axe for accessibility."""

import os
import shutil
from urllib.parse import urlsplit

import pytest

ON_THIS_MACHINE = {"127.0.0.1", "localhost", "::1"}
WITHOUT_A_HOST = {"file", "data", "blob", "about"}
COUNTED = {"serious", "critical"}  # the impacts of axe that a person cannot work around


def missing(message):
    """Skip on a desk and fail in CI: an untested page must not pass there."""
    pytest.fail(message) if os.environ.get("CI") else pytest.skip(message)


@pytest.fixture(scope="session")
def chromium():
    """A running browser; its window is nowhere."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        missing("no chromium on PATH; apt install chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("no playwright beside this Python; pip install playwright")
    with sync_playwright() as play:
        # no sandbox: a container gives none; no QUIC and no updates: the browser itself must not call home either
        names = ("no-sandbox", "disable-quic", "disable-background-networking", "disable-component-update", "disable-sync")
        quiet = [f"--{name}" for name in names]
        browser = play.chromium.launch(executable_path=program, args=quiet)
        yield browser
        browser.close()


@pytest.fixture
def strayed():
    """The addresses beyond this machine that a page asked for; they were refused."""
    return []


@pytest.fixture
def page(chromium, strayed):
    """An empty page of 1280 x 900. Asking for anything beyond this machine is refused, and fails the test at its end."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(15_000)
    context.route("**/*", lambda route: _guarded(route, strayed))
    fresh = context.new_page()
    fresh.on("websocket", lambda socket: None if _is_here(socket.url) else strayed.append(socket.url))
    yield fresh
    context.close()
    assert strayed == []


def _guarded(route, strayed):
    if _is_here(route.request.url):
        route.continue_()
    else:
        strayed.append(route.request.url)
        route.abort()


def _is_here(address):
    parts = urlsplit(address)
    return parts.scheme in WITHOUT_A_HOST or parts.hostname in ON_THIS_MACHINE


@pytest.fixture(scope="session")
def axe_violations():
    """A function of a page: what axe calls serious or critical on it, one line each, and none on a page that all can read."""
    try:
        from axe_playwright_python.sync_playwright import Axe
    except ImportError:
        missing("no axe beside this Python; pip install axe-playwright-python")
    axe = Axe()

    def found(page):
        violations = axe.run(page).response["violations"]
        return [
            f"{each['impact']} {each['id']}: {each['help']}: {'; '.join(node['html'][:200] for node in each['nodes'][:5])}"
            for each in violations
            if each["impact"] in COUNTED
        ]

    return found
