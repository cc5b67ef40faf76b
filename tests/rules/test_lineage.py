"""Trials as a tree by the trial that each was made from."""

from hypothesis import given
from hypothesis import strategies as st

from soakd.model.trial import Trial
from soakd.rules.lineage import lineage


def trial(name, parent=None, newest="0"):
    return Trial(name=name, parent=parent, newest_utc=newest, passes=1, fails=0, inconclusive=0, drills=0)


def drawn(*trials):
    return [f"{'  ' * each.depth}{each.trial.name}" for each in lineage(trials)]


def test_a_trial_stands_under_the_one_whose_settings_it_changes():
    assert drawn(trial("stock"), trial("b", "a"), trial("a", "stock"), trial("c", "b")) == [
        "stock", "  a", "    b", "      c"
    ]  # fmt: skip


def test_the_branch_with_the_newest_run_stands_first():
    old = trial("old", newest="1")
    stock, left, right = trial("stock", newest="0"), trial("left", "stock", "2"), trial("right", "stock", "3")
    deep = trial("deep", "left", "4")
    assert drawn(old, stock, left, right, deep) == ["stock", "  left", "    deep", "  right", "old"]


def test_runs_without_a_sheet_and_trials_of_unknown_parents_stand_for_themselves():
    assert drawn(trial(None, newest="1"), trial("b", "never soaked", "2")) == ["b", "None"]


def test_a_circle_of_names_is_broken_where_it_is_oldest():
    assert drawn(trial("a", "c", "3"), trial("b", "a", "1"), trial("c", "b", "2"), trial("own", "own", "0")) == [
        "b", "  c", "    a", "own"
    ]  # fmt: skip


NAMES = st.sampled_from([*"abcdef"])


@given(st.dictionaries(NAMES, st.tuples(st.none() | NAMES, st.integers(0, 9).map(str)), min_size=1))
def test_every_trial_is_there_once_and_right_below_its_parent(pairs):
    trials = [trial(name, *pair) for name, pair in pairs.items()]
    found = lineage(trials)
    assert sorted(each.trial.name for each in found) == sorted(pairs)
    for place, each in enumerate(found):
        if each.depth:
            above = next(other for other in reversed(found[:place]) if other.depth < each.depth)
            assert (above.depth, above.trial.name) == (each.depth - 1, each.trial.parent)
