"""A card as PNG: the same drawing at twice its size, in letters that come with it: it looks alike everywhere."""

from __future__ import annotations

from contextlib import ExitStack
from importlib.resources import as_file, files
from typing import Final

from soakd.errors import UsageError

SCALE: Final = 2
_FONTS: Final = ("DejaVuSerifCondensed.ttf", "DejaVuSerifCondensed-Bold.ttf")
_STYLE: Final = "svg { font-family: 'DejaVu Serif Condensed', 'DejaVu Serif' }"


def png(drawing: str) -> bytes:
    """Of an SVG. Letters that these fonts lack come from the system's, if it has any. Raises UsageError."""
    try:
        from resvg_py import svg_to_bytes  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise UsageError("a card as PNG needs resvg_py", hint="pip install 'soakd[png]', or write .svg") from None
    with ExitStack() as stack:
        folder = files("soakd.report.assets").joinpath("font")
        fonts = [str(stack.enter_context(as_file(folder.joinpath(name)))) for name in _FONTS]
        return svg_to_bytes(svg_string=drawing, zoom=SCALE, font_files=fonts, style_sheet=_STYLE)
