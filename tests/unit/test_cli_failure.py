"""Errors at the edge: one message on stderr, the right exit code, tracebacks only for bugs."""

import sys

import click
import pytest
from click.testing import CliRunner

from apexfix.cli import main
from apexfix.cli.failure import reports_errors
from apexfix.errors import ApexfixError, CalibrationError, FileError, ReductionError, UnitError


def ended(error):
    @click.command()
    @reports_errors
    def failing():
        raise error

    return CliRunner().invoke(failing)


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ApexfixError("seen"), 1),
        (UnitError("seen"), 3),
        (FileError("seen", path="site.toml", line=3, field="id"), 4),
        (CalibrationError("seen"), 5),
        (ReductionError("seen"), 5),
    ],
)
def test_an_error_becomes_its_exit_code_and_a_message_on_stderr_alone(error, code):
    result = ended(error)
    assert (result.exit_code, result.stdout, result.stderr) == (code, "", f"apexfix: {error}\n")


def test_a_bug_keeps_its_traceback():
    assert isinstance(ended(ZeroDivisionError("bug")).exception, ZeroDivisionError)


def test_a_demo_without_an_interpreter_leaves_no_folder_in_the_way_of_the_next_try(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    monkeypatch.setenv("PATH", str(tmp_path))
    result = CliRunner().invoke(main, ["demo", "--out", str(tmp_path / "day")])
    assert result.exit_code == 3
    assert "micropython" in result.stderr
    assert not (tmp_path / "day").exists()
