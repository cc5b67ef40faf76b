"""Templates, style and script of page and card, the card's font, and uPlot; what a template fills in is escaped."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup, escape

if TYPE_CHECKING:
    from collections.abc import Callable


@cache
def asset(name: str) -> str:
    return files("soakd.report.assets").joinpath(name).read_text(encoding="utf-8")


@cache
def environment() -> Environment:
    return templates(asset)


def templates(text_of: Callable[[str], str]) -> Environment:
    """Templates by name, with the filter `ticked`; `text_of` raises FileNotFoundError."""
    found = Environment(
        loader=FunctionLoader(text_of), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    found.filters["ticked"] = ticked
    return found


def ticked(text: str) -> Markup:
    """A text with what stands between backticks as code."""
    plain, *rest = (escape(part) for part in text.split("`"))
    every = (Markup("<code>{}</code>").format(part) if number % 2 == 0 else part for number, part in enumerate(rest))
    return Markup("").join((plain, *every))
