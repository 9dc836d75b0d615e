"""The command desk: what it refuses, and that the rest of the command line does not pay for it."""

import socket
import subprocess
import sys

import pytest
from click.testing import CliRunner

from apexfix.cli import desk as command
from apexfix.cli import main
from apexfix.desk.serve import PlaceTaken, serve


def run(*words):
    return CliRunner().invoke(main, ["desk", *map(str, words)], catch_exceptions=False)


def test_a_folder_that_is_no_day_ends_with_the_code_of_a_file(tmp_path):
    result = run(tmp_path)
    assert result.exit_code == 4
    assert "site.toml: there is no such file" in result.stderr


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "day").write_text("")
    assert run(tmp_path / "day").exit_code == 2


def test_a_port_that_is_taken_is_said_with_the_way_out(hand_day):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        result = run(hand_day.folder, "--listen", port, "--port", hand_day.folder / "nothing")
    assert result.exit_code == 2
    assert f"port {port} of 127.0.0.1 cannot be used" in result.stderr
    assert "--listen" in result.stderr


@pytest.mark.parametrize("options", [("--listen", "65536"), ("--every", "0"), ("--listen", "http")])
def test_an_option_that_cannot_be_is_a_matter_of_usage(hand_day, options):
    assert run(hand_day.folder, *options).exit_code == 2


@pytest.mark.parametrize(("open_to_network", "host"), [(False, "127.0.0.1"), (True, "0.0.0.0")])
def test_a_desk_listens_on_its_own_computer_alone_unless_it_is_opened(open_to_network, host):
    with socket.create_server(("0.0.0.0", 0)) as taken, pytest.raises(PlaceTaken, match=f"of {host} cannot"):
        serve(None, taken.getsockname()[1], open_to_network, lambda port: None)


@pytest.mark.parametrize(("options", "rows"), [((), 0), (("--open-to-network",), 5)])
def test_an_open_desk_asks_for_the_pin_that_it_prints(hand_day, monkeypatch, options, rows):
    bound = {}

    def pretend(app, port, open_to_network, ready):
        bound["open"] = open_to_network
        bound["pin"] = app.test_client().get("/").status_code == 303
        ready(8321)

    monkeypatch.setattr(command, "serve", pretend)
    result = run(hand_day.folder, "--port", hand_day.folder / "nothing", *options)
    assert result.exit_code == 0
    assert bound == {"open": bool(options), "pin": bool(options)}
    assert sum("#" in line for line in result.stdout.splitlines()) == rows
    assert "the desk is closed" in result.stdout


def test_help_loads_no_framework():
    code = "import sys; from apexfix.cli import main; main(['--help'], standalone_mode=False)"
    code += "; print(sorted({'flask', 'waitress', 'numpy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.endswith("[]\n")
    assert "desk" in done.stdout
