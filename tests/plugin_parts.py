"""Plugins for tests: folders with a plugin.py that nobody else may write, and a process that answers as it is told."""

from __future__ import annotations

import sys
import textwrap

from soakd.model.plug import Plug

HEAD = "from soakd.api import *\nfrom soakd.api import Channel, Role\n"
TWO = """
    def channels(self):
        return [Channel(name="coolant", role=Role.COOLANT_TEMPERATURE), Channel(name="pump", role="pump")]
"""
LIAR = """
import json, sys, time
answers = sys.argv[1]
sys.stdin.readline()
sys.stdout.write(json.dumps({"channels": [
    {"name": "coolant", "role": "coolant-temperature", "critical": None},
    {"name": "pump", "role": "pump", "critical": None}]}) + "\\n")
sys.stdout.flush()
while number := sys.stdin.readline():
    with open(answers, "rb") as file:
        answer = file.read()
    if answer == b"exit":
        sys.exit(3)
    sys.stdout.buffer.write(answer.replace(b"@N", number.strip().encode()))
    sys.stdout.flush()
"""


def folder_of(place, text, name="plugin.py"):
    """A plugin's folder with this code."""
    place.mkdir(mode=0o755, parents=True, exist_ok=True)
    place.chmod(0o755)
    file = place / name
    file.write_text(textwrap.dedent(text))
    file.chmod(0o644)
    return place


def sensors(place, body, **options):
    """Sensors with two channels and these methods."""
    code = f"{HEAD}\nclass Probe:\n    def __init__(self, options):\n        self.options = options\n"
    code += TWO + textwrap.indent(textwrap.dedent(body), "    ")
    folder = folder_of(place, code + "\ndef sensors(options):\n    return Probe(options)\n")
    return Plug(name="loop", kind="sensors", source=str(folder), options=options)


def plug(source, kind="sensors", name="loop", **options):
    return Plug(name=name, kind=kind, source=str(source), options=options)


def liar(place):
    """The command of a process that says whatever stands in the file beside it, and that file."""
    script = place / "liar.py"
    script.write_text(LIAR)
    answers = place / "answers"
    answers.write_bytes(b"")
    return [sys.executable, "-S", "-E", str(script), str(answers)], answers
