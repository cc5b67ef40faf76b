"""A plugin's own process: loads somebody else's code, holds it to its contract, and asks it when it is asked.

Started as `python -m soakd.service.plugin_process PARENT`. One JSON line in: what is plugged in, and how much memory it
may use. Of a workload one line says what it is. Of sensors one line says their channels; then every line in is a number
and is answered by one line. What the plugin prints goes nowhere, so that it cannot be taken for an answer.
"""

from __future__ import annotations

import json
import os
import resource
import sys
from dataclasses import asdict
from typing import IO, TYPE_CHECKING, Any, Final

from soakd.crew.kinship import die_with_parent
from soakd.errors import PluginError
from soakd.model.plug import Plug
from soakd.plugins.contract import Broken, checked_answer, checked_channels, checked_remarks, strangers
from soakd.plugins.loading import made, said
from soakd.plugins.workloads import described

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import NoReturn

    from soakd.model.channels import Channel

FAILED_IN_A_ROW: Final = 10
"""Readings after which a plugin that only raises is started afresh: what it holds open may be gone for good."""
_MOST_OPEN_FILES: Final = 256
_MIB: Final = 2**20


def main() -> NoReturn:
    die_with_parent(int(sys.argv[1]))
    questions, answers = _own_pipes()
    code = 1
    try:
        first = json.loads(questions.readline())
        _limit(round(first["memory_mib"] * _MIB))
        _live(Plug(**first["plug"]), questions, answers)
        code = 0
    finally:
        os._exit(code)  # a thread of the plugin's may hang; nothing is left to be saved here


def _own_pipes() -> tuple[IO[bytes], int]:
    """The pipes under numbers of their own, and nothing behind the plugin's standard streams."""
    questions, answers = os.fdopen(os.dup(0), "rb"), os.dup(1)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    return questions, answers


def _limit(memory_bytes: int) -> None:
    """What leaks ends here, and not the bench. RLIMIT_DATA counts private memory that can be written (setrlimit(2))."""
    resource.setrlimit(resource.RLIMIT_DATA, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_NOFILE, (_MOST_OPEN_FILES, _MOST_OPEN_FILES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _live(plug: Plug, questions: IO[bytes], answers: int) -> None:
    try:
        if plug.kind == "workload":
            _tell(answers, asdict(described(plug)))
            return
        source, _ = made(plug)
        channels = checked_channels(source.channels())
        _try_once(source, channels)
    except PluginError as error:
        message = error.message.removeprefix(f"plugin {plug.name}: ")
        _tell(answers, {"refused": f"{message}{f'; {error.hint}' if error.hint else ''}"})
    except BaseException as error:  # noqa: BLE001 - whatever it was, it is the plugin's
        _tell(answers, {"refused": str(error) if isinstance(error, Broken) else said(error)})
    else:
        _tell(answers, {"channels": [asdict(each) for each in channels]})
        _answer_all(source, channels, questions, answers)


def _try_once(source: Any, channels: Sequence[Channel]) -> None:
    """One reading before it counts. What fails may be mended by then; rubbish will not. Raises Broken."""
    names = {channel.name for channel in channels}
    try:
        answer = source.read()
    except BaseException:  # noqa: BLE001 - a gap, when it counts
        return
    _, gaps = checked_answer(answer, names)
    rubbish = next((f"channel {name!r}: {why}" for name, why in gaps.items() if why.startswith("rubbish")), None)
    stranger = next(strangers(answer, names), None)
    if rubbish is not None:
        raise Broken(rubbish)
    if stranger is not None:
        raise Broken(f"it has readings of {stranger}, which is none of its channels")


def _answer_all(source: Any, channels: Sequence[Channel], questions: IO[bytes], answers: int) -> None:
    """Until nobody asks any more, or the plugin is beyond help."""
    names = [channel.name for channel in channels]
    failed = 0
    for line in questions:
        answer: dict[str, Any]
        try:
            values, gaps = checked_answer(source.read(), names)
            remarks = checked_remarks(source.remarks(), names) if hasattr(source, "remarks") else {}
            answer, failed = {"values": values, "gaps": gaps, "remarks": remarks}, 0
        except MemoryError:
            answer = {"ending": "it has used up the memory that it may have"}
        except Broken as broken:
            answer = _all_gaps(names, f"rubbish: {broken}")
        except BaseException as error:  # noqa: BLE001 - it is a gap here
            failed += 1
            answer = _all_gaps(names, f"it failed: {said(error)}")
            if failed == FAILED_IN_A_ROW:
                answer = {"ending": f"it failed {failed} times in a row: {said(error)}"}
        _tell(answers, {"n": int(line), **answer})
        if "ending" in answer:
            return


def _all_gaps(names: Sequence[str], why: str) -> dict[str, Any]:
    return {"values": {}, "gaps": dict.fromkeys(names, why)}


def _tell(answers: int, said_: dict[str, Any]) -> None:
    line = json.dumps(said_, separators=(",", ":")).encode() + b"\n"
    while line:
        line = line[os.write(answers, line) :]


if __name__ == "__main__":
    main()
