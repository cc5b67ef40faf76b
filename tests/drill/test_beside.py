"""Drills beside the others: each in a process of its own, all at once, and none of them outlives whoever sent them."""

import os
import signal
import time

import pytest

from soakd.service.drill.beside import beside
from soakd.service.drill.catalogue import drills
from soakd.service.drill.seen import not_shown

ONE, OTHER = drills()[:2]
DEADLINE_S = 30.0


def wait_for(path):
    until_s = time.monotonic() + DEADLINE_S
    while not path.exists():
        assert time.monotonic() < until_s
        time.sleep(0.01)


def test_all_are_done_at_once_and_each_result_is_its_own(tmp_path):
    def do(drill):
        (tmp_path / drill.name).touch()
        for each in (ONE, OTHER):
            wait_for(tmp_path / each.name)
        return not_shown(drill, f"by process {os.getpid()}")

    with beside([ONE, OTHER], do) as sent:
        results = [sent[each.name].result() for each in (OTHER, ONE)]
    assert [result.name for result in results] == [OTHER.name, ONE.name]
    assert len({result.why for result in results} | {f"by process {os.getpid()}"}) == 3


def test_one_whose_process_is_killed_is_missed():
    def do(_):
        os.kill(os.getpid(), signal.SIGKILL)

    with beside([ONE], do) as sent:
        result = sent[ONE.name].result()
    assert (result.state, result.name) == ("missed", ONE.name)
    assert "the process that did it ended before" in result.why


@pytest.mark.parametrize("error", [KeyboardInterrupt, None])
def test_those_that_nobody_waited_for_clear_away_and_are_gone(error, tmp_path):
    begun, cleared = tmp_path / "begun", tmp_path / "cleared"

    def do(_):
        try:
            begun.write_text(str(os.getpid()))
            begun.rename(tmp_path / "pid")
            time.sleep(DEADLINE_S)
        finally:
            cleared.touch()

    def leave():
        with beside([ONE], do):
            wait_for(tmp_path / "pid")
            if error is not None:
                raise error

    if error is None:
        leave()
    else:
        with pytest.raises(error):
            leave()
    assert cleared.exists()
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)
