"""A plan as files in a folder that can become the day's."""

from pathlib import Path

from apexfix.day import SITE_NAME
from apexfix.errors import FileError
from apexfix.plan.answer import Plan
from apexfix.plan.document import plan_document
from apexfix.plan.picture import field_picture
from apexfix.plan.stub import site_stub
from apexfix.plan.words import plan_text
from apexfix.report.jsonout import as_json
from apexfix.text_file import write_text


def refuse_a_surveyed_folder(folder: Path) -> None:
    """Raise where a folder holds a site already: measured places are worth more than planned ones.

    Raises
    ------
    FileError
    """
    site = folder / SITE_NAME
    if site.exists():
        raise FileError("there is a site already, a folder without one expected; choose another folder for the plan", path=site)


def write_plan(plan: Plan, folder: Path, declination_rad: float | None) -> tuple[Path, ...]:
    """Write site.toml, field.svg, plan.txt and plan.json, and return their paths.

    Raises
    ------
    FileError
        The folder holds a site already, or a file cannot be written.
    """
    refuse_a_surveyed_folder(folder)
    contents = {
        SITE_NAME: site_stub(plan, declination_rad),
        "field.svg": field_picture(plan) + "\n",
        "plan.txt": plan_text(plan, declination_rad) + "\n",
        "plan.json": as_json(plan_document(plan)) + "\n",
    }
    for name, content in contents.items():
        write_text(folder / name, content)
    return tuple(folder / name for name in contents)
