"""The documents of shared/docs as pages: Markdown without raw HTML, headings with anchors, links that stay in here."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup, escape

from soakd.config.shipped import data_root

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

FILES: Final = {".svg": "image/svg+xml", ".csv": "text/csv; charset=utf-8"}
"""What lies beside the documents, by the end of its name."""
_NAME: Final = re.compile(r"[a-z0-9-]+")
_ALIGNED: Final = re.compile(r"text-align:(\w+)")
_DEEPEST: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """One line of a table of contents."""

    level: int
    text: str
    anchor: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """One file."""

    name: str
    title: str
    about: str
    """Its first sentence."""
    html: Markup
    headings: tuple[Heading, ...]
    """Without the title."""


def folder() -> Path:
    return data_root() / "shared" / "docs"


@cache
def names() -> tuple[str, ...]:
    return tuple(path.stem for path in sorted(folder().glob("*.md")))


@cache
def document(name: str, shift: int = 0, prefix: str = "") -> Document:
    """`shift`: how much lower its headings stand within another page; `prefix`: of its anchors there. KeyError."""
    if name not in names():
        raise KeyError(name)
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = list(_arranged(reader.parse((folder() / f"{name}.md").read_text(encoding="utf-8"))))
    headings = tuple(_headings(tokens, prefix, shift))
    title = headings[0].text if headings else name
    first = next((t for t, before in zip(tokens[1:], tokens, strict=False) if before.type == "paragraph_open"), None)
    body = _without_title(tokens) if shift else tokens
    return Document(
        name=name,
        title=title,
        about=_first_sentence(_plain(first)) if first is not None else "",
        html=Markup(reader.renderer.render(body, reader.options, {})),  # noqa: S704 - raw HTML is escaped by the reader
        headings=tuple(each for each in headings[1:] if each.level <= 3 + shift),
    )


def attachment(name: str) -> tuple[bytes, str] | None:
    """A picture or table that a document shows, with its type; None for what is not there."""
    stem, dot, end = name.rpartition(".")
    kind = FILES.get(f"{dot}{end}")
    path = folder() / name
    if kind is None or not _NAME.fullmatch(stem) or not path.is_file():
        return None
    return path.read_bytes(), kind


def _arranged(tokens: Sequence[Token]) -> Iterator[Token]:
    """Wide things can be scrolled with the keyboard; nothing has a style of its own; links and pictures lead to us."""
    heading, tables = "", 0
    for place, token in enumerate(tokens):
        if token.type == "heading_open":
            heading, tables = _plain(tokens[place + 1]), 0
        elif token.type == "table_open":
            tables += 1
            about = f"{heading}, table{f' {tables}' if tables > 1 else ''}"
            yield _raw(f'<div class="scroller" tabindex="0" role="region" aria-label="{escape(about)}">')
        elif token.type in {"fence", "code_block"}:
            yield _raw(f'<pre tabindex="0"><code>{escape(token.content)}</code></pre>')
            continue
        elif token.type in {"th_open", "td_open"}:
            _cell(token, tokens[place + 1])
        for child in token.children or ():
            _lead(child)
        yield token
        if token.type == "table_close":
            yield _raw("</div>")


def _cell(token: Token, content: Token) -> None:
    aligned = _ALIGNED.match(str(token.attrs.pop("style", "")))
    if aligned:
        token.attrSet("class", aligned[1])
    if token.type == "th_open" and content.content:
        token.attrSet("scope", "col")
    elif token.type == "th_open":
        token.tag = "td"


def _lead(token: Token) -> None:
    if token.type == "link_open":
        token.attrSet("href", _address(str(token.attrs.get("href", ""))))
    elif token.type == "image":
        token.attrSet("src", _address(str(token.attrs.get("src", ""))))


def _address(given: str) -> str:
    """guard.md#the-limiter is /help/guard#the-limiter, picture.svg is /help/files/picture.svg."""
    path, hash_, anchor = given.partition("#")
    if not path or ":" in path or path.startswith("/"):
        return given
    if path.endswith(".md"):
        return f"/help/{path.removesuffix('.md')}{hash_}{anchor}"
    return f"/help/files/{path}"


def _headings(tokens: Sequence[Token], prefix: str, shift: int) -> Iterator[Heading]:
    """Gives each its anchor, as the sites do that show such files: small letters, hyphens for spaces."""
    seen: dict[str, int] = {}
    for place, token in enumerate(tokens):
        if token.type not in {"heading_open", "heading_close"}:
            continue
        level = min(_DEEPEST, int(token.tag[1:]) + shift)
        token.tag = f"h{level}"
        if token.type == "heading_open":
            text = _plain(tokens[place + 1])
            anchor = _slug(text)
            count = seen.get(anchor, 0)
            seen[anchor] = count + 1
            anchor = f"{prefix}{anchor}{f'-{count}' if count else ''}"
            token.attrSet("id", anchor)
            yield Heading(level=level, text=text, anchor=anchor)


def _slug(text: str) -> str:
    kept = (c for c in text.lower() if c in " -_" or unicodedata.category(c)[0] in "LN")
    return "".join(kept).replace(" ", "-")


def _plain(inline: Token) -> str:
    return "".join(t.content if t.type != "softbreak" else " " for t in inline.children or () if t.type != "image")


def _first_sentence(text: str) -> str:
    return re.split(r"(?<=[.:;?!])\s", text, maxsplit=1)[0].rstrip(":;")


def _without_title(tokens: list[Token]) -> list[Token]:
    return tokens[3:] if tokens and tokens[0].type == "heading_open" else tokens


def _raw(text: str) -> Token:
    return Token("html_block", "", 0, content=text + "\n")
