"""The one place that turns an error a person can act on into a message and an exit code."""

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

import click

from apexfix.errors import ApexfixError

P = ParamSpec("P")
R = TypeVar("R")


def reports_errors(command: Callable[P, R]) -> Callable[P, R]:
    """Let a command end with the error's message on stderr and the error's exit code; a bug keeps its traceback.

    Goes directly above the function, below ``@click.command()`` and its options.
    """

    @wraps(command)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except ApexfixError as error:
            click.echo(f"apexfix: {error}", err=True)
            raise click.exceptions.Exit(error.exit_code) from error

    return guarded
