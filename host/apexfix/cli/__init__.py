"""The command line: parse, call, print. Commands load their own module only when they are asked for, so that help is instant."""

import gc
import os
from importlib import import_module
from typing import Final

import click

from apexfix import __version__

# name of the command -> module of this package that holds a click command of the same name
COMMANDS: Final = {
    "assign": "assign",
    "calibrate": "calibrate",
    "compare": "compare",
    "demo": "demo",
    "desk": "desk",
    "enter": "enter",
    "export": "export",
    "history": "history",
    "import": "import_",
    "learn": "learn",
    "merge": "merge",
    "predict": "predict",
    "plan": "plan",
    "pull": "pull",
    "reduce": "reduce",
    "report": "report",
    "unit": "unit",
    "verify": "verify",
}
HELP: Final = {
    "assign": "Show which marks may belong to another flight, and settle them.",
    "calibrate": "Find what a unit's sensors get wrong, and write it down.",
    "compare": "Compare a day with an on-board barometric altimeter.",
    "demo": "Fly an invented launch day with virtual units and reduce it.",
    "desk": "Show the day as it happens on a local web page, and pull units by itself.",
    "enter": "Type hand readings in, flight by flight, with the height at once.",
    "export": "Pack a whole day into one file.",
    "history": "Tell the log of many days: a rocket over time, units that are off.",
    "import": "Unpack a day that was exported.",
    "learn": "Learn drag and speed of a rocket from its measured flights.",
    "merge": "Join the folders of two laptops of the same day.",
    "predict": "Predict a rocket's flight as intervals, before the launch.",
    "plan": "Choose where to stand before a launch, and check that it is safe.",
    "pull": "Fetch the records of every connected unit into a day folder.",
    "reduce": "Compute the apex of every flight of a day.",
    "report": "Write the day's report as one HTML file.",
    "unit": "Talk to connected units: install, check, list them, set them up.",
    "verify": "Derive everything of a day again and compare with what is stored.",
}


class LazyGroup(click.Group):
    """A group that imports a command only when it is run, or when its own help is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        # matrices here have a few rows: threads of the linear algebra would only wait for one another
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        module = import_module(f"apexfix.cli.{COMMANDS[cmd_name]}")
        gc.freeze()  # modules stay; looking through them for garbage again and again takes a fortieth of a long reduction
        command: click.Command = getattr(module, COMMANDS[cmd_name])
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, HELP[name]) for name in COMMANDS])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="apexfix")
def main() -> None:
    """Measure how high a model rocket flew, from the ground, with an honest uncertainty."""
