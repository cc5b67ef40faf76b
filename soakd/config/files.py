"""Plans and sheets from TOML; every refusal names file, key, value and what would be right."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError

from soakd.errors import ConfigError
from soakd.model.base import Value
from soakd.model.plan import GuardRules, Limit, Plan, Stage
from soakd.model.sheet import Sheet

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from pydantic_core import ErrorDetails

    from soakd.rules.plan_check import Misfit

File = TypeVar("File", bound=Value)
_KEY_FIRST = re.compile(r"^([a-z][a-z-]*): (.*)$", re.DOTALL)
_TYPES = {
    "string_type": "must be text in quotes",
    "int_type": "must be a whole number",
    "bool_type": "must be true or false",
    "tuple_type": "must be a list",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "missing": "this key is required",
}


def load_plan(path: Path) -> Plan:
    """A plan that is right in itself; whether it fits a bench is another question. Raises ConfigError."""
    return _load(path, Plan)


def load_sheet(path: Path) -> Sheet:
    """The declared settings. Raises ConfigError."""
    return _load(path, Sheet)


def refuse_misfits(path: Path | str, found: Iterable[Misfit]) -> None:
    """Raises ConfigError for the first part of a plan that this bench cannot honour, and counts the others."""
    every = list(found)
    if every:
        first = every[0]
        raise ConfigError(
            file=str(path),
            key=_place(("stage", first.stage, first.key)),
            value=first.value,
            wanted=first.wanted + _others(len(every)),
        )


def _load(path: Path, kind: type[File]) -> File:
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(file=str(path), key="", value="", wanted=str(error.strerror).lower()) from error
    except UnicodeDecodeError as error:
        raise ConfigError(file=str(path), key="", value="", wanted="the file is not UTF-8 text") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file=str(path), key="", value="", wanted=f"not TOML: {error}") from error
    try:
        return kind.model_validate_json(json.dumps(document, default=str))
    except ValidationError as refused:
        raise _refusal(path, document, refused.errors()) from None


def _refusal(path: Path, document: dict[str, Any], errors: list[ErrorDetails]) -> ConfigError:
    """The first thing that is wrong, as one line."""
    first = errors[0]
    place = tuple(part for part in first["loc"] if not _is_branch(part))
    wanted = _wanted(first, place)
    named = _KEY_FIRST.match(wanted) if first["type"] == "value_error" else None
    if named:
        place, wanted = (*place, named[1]), named[2]
    shown = "" if first["type"] in {"missing", "extra_forbidden"} else _shown(document, place)
    return ConfigError(file=str(path), key=_place(place), value=shown, wanted=wanted + _others(len(errors)))


def _is_branch(part: int | str) -> bool:
    """The name of a tried alternative, which pydantic adds to an error's place in a choice of types."""
    return isinstance(part, str) and ("[" in part or part in {"all", "bool", "int", "float", "str"})


def _wanted(error: ErrorDetails, place: tuple[int | str, ...]) -> str:
    kind = error["type"]
    if kind == "extra_forbidden":
        return _unknown_key(place)
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind == "literal_error":
        return f"must be {error['ctx']['expected']}"
    return _TYPES.get(kind) or error["msg"][0].lower() + error["msg"][1:]


def _unknown_key(place: tuple[int | str, ...]) -> str:
    owners: dict[str, type[Value]] = {"stage": Stage, "limit": Limit, "guard": GuardRules}
    owner = owners.get(str(place[0])) if len(place) > 1 else None
    models: list[type[Value]] = [owner] if owner else [Plan, Sheet]
    keys = sorted({field.alias or name for model in models for name, field in model.model_fields.items()})
    near = difflib.get_close_matches(str(place[-1]), keys, n=1)
    return f"unknown key; did you mean {near[0]}?" if near else f"unknown key; known here: {', '.join(keys)}"


def _shown(document: Any, place: tuple[int | str, ...]) -> str:
    """The value as it stands in the file, as far as it can be found."""
    for part in place:
        try:
            document = document[part]
        except (KeyError, IndexError, TypeError):
            return ""
    text = json.dumps(document, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else text[:77] + "…"


def _place(place: tuple[int | str, ...]) -> str:
    """("stage", 0, "duration") as "stage 1: duration": people count from one."""
    words = ""
    for part in place:
        words += f" {part + 1}" if isinstance(part, int) else f"{': ' if words else ''}{part}"
    return words


def _others(count: int) -> str:
    return f" (and {count - 1} more)" if count > 1 else ""
