"""Templates, style and script of page and card, the card's font, and uPlot; what a template fills in is escaped."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined


@cache
def asset(name: str) -> str:
    return files("soakd.report.assets").joinpath(name).read_text(encoding="utf-8")


@cache
def environment() -> Environment:
    return Environment(
        loader=FunctionLoader(asset), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
