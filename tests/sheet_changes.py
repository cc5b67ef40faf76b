"""Every single field of a sheet as its file has it, what it could be changed to, and how that has to be named.

The names are worked out here apart from the code.
"""

from __future__ import annotations

import copy

from soakd import units


def ways(value, way=()):
    """Ways to every single value of a document that counts."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if (*way, key) not in {("version",), ("note",), ("parent",)}:
                yield from ways(inner, (*way, key))
    elif isinstance(value, list) and not (value and isinstance(value[0], int)):
        for number, inner in enumerate(value):
            yield from ways(inner, (*way, number))
    else:
        yield way


def at(document, way):
    for step in way:
        document = document[step]
    return document


def with_value(document, way, value):
    new = copy.deepcopy(document)
    at(new, way[:-1])[way[-1]] = value
    return new


def quantity(text):
    """Number and unit, if it is a quantity."""
    parts = units.split(text)
    return None if parts is None or not parts[1] else parts


def others(document, way):
    """Values that this one could be changed to, with the rest of the sheet left valid."""
    value = at(document, way)
    if isinstance(value, bool):
        return [not value, "yes" if value else "no"] if way[0] == "values" else [not value]
    if isinstance(value, list):
        return [value[:-1]] if len(value) > 1 else [[value[0] + 7]]
    if way[-1] == "width":
        taken = {entry["width"] for entry in at(document, way[:-2])}
        return sorted({128, 256, 512} - taken)
    if isinstance(value, int | float):
        whole = way[-1] in {"core", "active-cores", "cores", "threads"} or way[0] == "values"
        return [value + 97 if whole else value + 50.25]
    parts = quantity(value)
    if parts is None:
        return [value + "x"]
    number, unit = parts
    step = {"cycles": 100, "mV": 1, "mA": 1, "mW": 1, "A": 0.1, "W": 0.1, "s": 1, "MT/s": 1}.get(unit, 0.001)
    return [f"{number + step:.12g} {unit}"]


def place_of(document, way):
    """As the diff has to name it."""
    entry = at(document, way[:-1]) if len(way) > 1 else {}
    least = entry.get("active-cores", 1)
    few = "1 active core" if least == 1 else f"{least} active cores"
    words = {
        "limits": lambda: f"up to {few}",
        "cores": lambda: f"core {entry['core']}",
        "vector": lambda: f"{entry['width']} bits",
        "steps-down": lambda: f"from {entry['at']}" + (f" with {few} or more" if least > 1 else ""),
        "curve": lambda: f"ratio {entry['ratio']:g}",
    }
    steps = [words[way[1]]() if isinstance(step, int) else step for step in way[:-1]]
    return f"{', '.join(steps)}: {way[-1]}" if steps else way[-1]
