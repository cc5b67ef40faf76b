"""Plans, sheets and the configuration from TOML; every refusal names file, key, value and what would be right."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from typing import TYPE_CHECKING, Any, TypeVar, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import ValidationError

from soakd.errors import ConfigError
from soakd.model.base import Value
from soakd.model.configuration import Configuration
from soakd.model.plan import Plan
from soakd.model.sheet import Sheet
from soakd.rules.sheet_fields import fields, said
from soakd.rules.sheet_finding import refusals

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from pydantic_core import ErrorDetails

    from soakd.rules.plan_check import Misfit
    from soakd.rules.sheet_finding import SheetFinding

File = TypeVar("File", bound=Value)
CONFIGURATION = "soakd.toml"
_KEY_FIRST = re.compile(r"^([a-z][a-z-]*): (.*)$", re.DOTALL)
_TYPES = {
    "string_type": "must be text in quotes",
    "int_type": "must be a whole number",
    "bool_type": "must be true or false",
    "float_type": "must be a number",
    "tuple_type": "must be a list, in square brackets",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "missing": "this key is required",
    "greater_than_equal": "must be at least {ge}",
    "less_than_equal": "must be at most {le}",
    "less_than": "must be less than {lt}",
    "string_too_short": "must not be empty",
    "string_too_long": "must not be longer than {max_length} characters",
    "too_short": "must hold at least one",
}
_CHOICES = {"cores": 'must be "all" or a list of core numbers, such as [0, 2]'}
"""Keys of a stage that can be written in more than one way."""
_SHAPES = {
    "name": 'must be small letters, digits and hyphens, such as "loop"',
    "quiet": 'must be from one time of day to another, such as "23:00-07:00"',
    "at": 'must be a time of day, such as "04:15"',
    "watchdog": 'must be a device, such as "/dev/watchdog"',
    "tcp": 'must be a loopback address and a port, such as "127.0.0.1:7437"',
}
"""Keys whose text has a shape of its own."""
_TABLES = {("stage",), ("limit",), ("target",), ("trial",), ("plugin",)}
_HIDDEN = {"target": "url", "plugin": "options"}
"""Key of tables to what may be a secret in one: a refusal is read by others."""


def load_plan(path: Path) -> Plan:
    """A plan that is right in itself; whether it fits a bench is another question. Raises ConfigError."""
    return load(path, Plan)


def load_sheet(path: Path) -> Sheet:
    """The declared settings. Raises ConfigError."""
    return load(path, Sheet)


def load_configuration(path: Path) -> Configuration:
    """How the daemon lives on this bench. Raises ConfigError, which never shows a target's address."""
    configuration = load(path, Configuration)
    if configuration.zone is not None:
        try:
            ZoneInfo(configuration.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            wanted = "must be a time zone of the IANA database, such as Europe/Berlin"
            raise ConfigError(file=str(path), key="zone", value=f'"{configuration.zone}"', wanted=wanted) from None
    return configuration


def configuration_for(given: Path | None, folder: Path) -> Configuration:
    """From the file that was named, else from soakd.toml in the state folder, if there is one. Raises ConfigError."""
    path = given or folder / CONFIGURATION
    return load_configuration(path) if given or path.is_file() else Configuration()


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


def refuse_sheet(sheet: Sheet, found: Iterable[SheetFinding]) -> None:
    """Raises ConfigError for the first finding with which no run is started, and counts the others."""
    every = refusals(found)
    if every:
        first = every[0]
        value = fields(sheet).get(first.place)
        raise ConfigError(
            file=f"sheet {sheet.name}",
            key=first.place,
            value="" if value is None else said(value),
            wanted=first.text + _others(len(every)),
        )


def load(path: Path, kind: type[File]) -> File:
    """Any of our files, strictly by its model. Raises ConfigError."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigError(file=str(path), key="", value="", wanted=str(error.strerror).lower()) from error
    except UnicodeDecodeError as error:
        raise ConfigError(file=str(path), key="", value="", wanted="the file is not UTF-8 text") from error
    return parsed(text, kind, str(path))


def parsed(text: str, kind: type[File], name: str) -> File:
    """The same from what stands in a file, or would; `name`: what it is called in a refusal. Raises ConfigError."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file=name, key="", value="", wanted=f"not TOML: {error}") from error
    try:
        return kind.model_validate_json(json.dumps(document, default=str), by_alias=True, by_name=False)
    except ValidationError as refused:
        raise _refusal(name, kind, document, refused.errors()) from None


def _refusal(name: str, kind: type[Value], document: dict[str, Any], errors: list[ErrorDetails]) -> ConfigError:
    """The first thing that is wrong, as one line."""
    problems = _problems(document, errors)
    place, first = next(iter(problems.items()))
    wanted = _wanted(first, place, kind)
    named = _KEY_FIRST.match(wanted) if first["type"] == "value_error" else None
    if named:
        place, wanted = (*place, named[1]), named[2]
    shown = "" if first["type"] in {"missing", "extra_forbidden"} else _shown(document, place)
    return ConfigError(file=name, key=_place(place), value=shown, wanted=wanted + _others(len(problems)))


def _problems(document: Any, errors: list[ErrorDetails]) -> dict[tuple[int | str, ...], ErrorDetails]:
    """Place to error, each mistake once: what is there before what is missing, and no echo of it further out."""
    found: dict[tuple[int | str, ...], ErrorDetails] = {}
    for error in sorted(errors, key=lambda error: error["type"] == "missing"):
        found.setdefault(_standing(document, error), error)
    return {place: error for place, error in found.items() if not any(_within(other, place) for other in found)}


def _within(place: tuple[int | str, ...], outer: tuple[int | str, ...]) -> bool:
    return len(place) > len(outer) and place[: len(outer)] == outer


def _standing(document: Any, error: ErrorDetails) -> tuple[int | str, ...]:
    """The error's place in the file; pydantic adds the names of tried alternatives, which stand in no file."""
    place: tuple[int | str, ...] = ()
    for part in error["loc"]:
        try:
            document = document[part]
        except (KeyError, IndexError, TypeError):
            return (*place, part) if error["type"] == "missing" else place
        place = (*place, part)
    return place


def _wanted(error: ErrorDetails, place: tuple[int | str, ...], kind: type[Value]) -> str:
    kept = _unknown_role(error) if place[:1] == ("roles",) else _kept_text(error["type"], place)
    if kept:
        return kept
    context = {name: f"{v:.15g}" if isinstance(v, float) else v for name, v in error.get("ctx", {}).items()}
    match error["type"]:
        case "extra_forbidden":
            return _unknown_key(place, kind)
        case "value_error":
            return str(context["error"])
        case "literal_error":
            plugged = ', or a plugin\'s, such as "plugin/loop"' if place[-1] == "workload" else ""
            return f"must be {context['expected']}".replace("'", '"') + plugged
        case "string_pattern_mismatch" if place[-1] in _SHAPES:
            return _SHAPES[str(place[-1])]
        case other:
            text = _TYPES.get(other)
            return text.format(**context) if text else error["msg"][0].lower() + error["msg"][1:]


def _unknown_role(error: ErrorDetails) -> str | None:
    if error["type"] != "enum":
        return None
    roles = re.findall(r"'([^']+)'", error["ctx"]["expected"])
    near = difflib.get_close_matches(str(error["input"]), roles, n=1, cutoff=0.7)
    return "no such role; " + (f"did you mean {near[0]}?" if near else f"roles are {', '.join(roles)}")


def _kept_text(error_type: str, place: tuple[int | str, ...]) -> str | None:
    """What would be right at places where the kind of error says less than the place."""
    if place == ("version",) and error_type != "missing":
        return "this soakd reads files with version = 1"
    if place in _TABLES and error_type == "tuple_type":
        return f"write each one under a line of its own, [[{place[0]}]]"
    if place in _TABLES and error_type in {"missing", "too_short"}:
        return f"at least one is needed, under a line of its own, [[{place[0]}]]"
    alternatives = place[:1] == ("stage",) and error_type not in {"value_error", "extra_forbidden"}
    return _CHOICES.get(str(place[-1])) if alternatives else None


def _unknown_key(place: tuple[int | str, ...], kind: type[Value]) -> str:
    owner = _owner(kind, place)
    keys = sorted(field.alias or name for name, field in owner.model_fields.items())
    near = difflib.get_close_matches(str(place[-1]), keys, n=1, cutoff=0.65)
    if near:
        return f"unknown key; did you mean {near[0]}?"
    tables = [table for table, known in _tables(kind) if place[-1] in known]
    if tables:
        return f"no key of this place; it stands under {' or '.join(tables)}"
    under = "; what has no place of its own stands under [values]" if owner is Sheet else ""
    return f"unknown key; known here: {', '.join(keys)}{under}"


def _owner(kind: type[Value], place: tuple[int | str, ...]) -> type[Value]:
    """The model whose table a key stands in, as far as the place leads through models."""
    for part in place[:-1]:
        for name, field in kind.model_fields.items():
            if part in (name, field.alias):
                kind = next(_models(field.annotation), kind)
    return kind


def _tables(kind: type[Value]) -> Iterator[tuple[str, set[str]]]:
    """Each table at the top of a file, as its heading is written, and its keys."""
    for name, field in kind.model_fields.items():
        for model in _models(field.annotation):
            heading = f"[[{field.alias or name}]]" if (field.alias or name,) in _TABLES else f"[{field.alias or name}]"
            yield heading, {inner.alias or key for key, inner in model.model_fields.items()}


def _models(annotation: object) -> Iterator[type[Value]]:
    """Our models inside a field's annotation: itself, one of several, or the elements of a list."""
    if isinstance(annotation, type) and issubclass(annotation, Value):
        yield annotation
    for part in get_args(annotation):
        yield from _models(part)


def _shown(document: Any, place: tuple[int | str, ...]) -> str:
    """The value as it stands in the file, as far as it can be found; nothing that may hold a secret."""
    if place[:1] and place[0] in _HIDDEN and (len(place) < 3 or place[2] == _HIDDEN[place[0]]):
        return ""
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
