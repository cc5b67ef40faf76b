"""How long a run has to be, as a person asks for it."""

from __future__ import annotations

import io
import json
import sys
from contextlib import redirect_stderr, redirect_stdout

import pytest

from soakd.cli.main import main


def typed(*words):
    """Exit code, standard output, standard error."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.setattr(sys, "argv", ["soakd", *words])
        with pytest.raises(SystemExit) as left:
            main()
    return left.value.code or 0, out.getvalue(), err.getvalue()


def test_hours_for_a_mean_by_errors_that_may_come():
    """2.303, 3.890 and 5.322 times the mean: NIST/SEMATECH e-Handbook 8.3.1.1 (to three figures from memory)."""
    code, out, err = typed("plan", "hours", "100 h", "--confidence", "90 %")
    assert (code, err) == (0, "")
    assert "of 100 h, at 90 % confidence" in out
    assert [line.split()[-4] for line in out.splitlines()[1:4]] == ["230", "388", "532"]
    assert "constant rate" in out


def test_published_tests_are_told_with_their_risks():
    _, out, _ = typed("plan", "hours", "10 h", "--published")
    assert "XV-D    93 h, rejected at 6; 9.9%, 9.4% at 3 times the mean" in out
    shown = json.loads(typed("plan", "hours", "10 h", "--published", "--errors", "0", "--json")[1])
    assert len(shown["published"]) == 12
    assert shown["needed"] == [{"errors": 0, "load_s": pytest.approx(36_000.0 * 2.995732, rel=1e-6)}]


def test_what_is_no_time_is_refused():
    code, out, err = typed("plan", "hours", "100")
    assert (code, out) == (2, "")
    assert "the unit is missing" in err
