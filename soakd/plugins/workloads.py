"""What a plugin says of its workload before anything is built: the words of the list, and its instruction classes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from soakd.errors import PluginError
from soakd.plugins.loading import made, said

if TYPE_CHECKING:
    from soakd.model.plug import Plug

LONGEST_WORDS: Final = 400
MOST_CLASSES: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """A plugin's workload as the user sees it."""

    loads: str
    catches: str
    misses: str
    classes: tuple[str, ...]
    """Instruction classes that it can be built for, narrowest first; whether they exist is another question."""


def described(plug: Plug) -> Described:
    """Load it and ask. Raises PluginError, which names it."""
    workload, _ = made(plug)
    try:
        words = {name: _words(plug, workload, name) for name in ("loads", "catches", "misses")}
        classes = tuple(workload.classes)
        build = workload.build
    except PluginError:
        raise
    except Exception as error:
        raise PluginError(f"plugin {plug.name}: no workload: {said(error)}") from error
    if not classes or len(classes) > MOST_CLASSES or not all(isinstance(each, str) for each in classes):
        raise PluginError(f"plugin {plug.name}: classes are the names of instruction classes, at least one")
    if not callable(build):
        raise PluginError(f"plugin {plug.name}: build is no function; it has to take an instruction class")
    return Described(**words, classes=classes)


def _words(plug: Plug, workload: Any, name: str) -> str:
    text = getattr(workload, name)
    if not isinstance(text, str) or not text.strip() or len(text) > LONGEST_WORDS or not text.isprintable():
        raise PluginError(f"plugin {plug.name}: {name} is one line of words, of at most {LONGEST_WORDS} characters")
    return text
