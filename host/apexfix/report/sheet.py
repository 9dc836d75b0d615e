"""Templates of pages that are one HTML file each: every text in them is escaped, and the report's styles can be included."""

from functools import cache

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined, Template


@cache
def template(package: str, name: str) -> Template:
    """Return a template of a package."""
    loader = ChoiceLoader([PackageLoader(each, ".") for each in dict.fromkeys((package, "apexfix.report"))])
    rules = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return rules.get_template(name)
