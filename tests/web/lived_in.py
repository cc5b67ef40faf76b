"""A bench with a past and a future, so that its pages have something to show."""

import time
from contextlib import closing
from datetime import datetime, timedelta

from night_feed import night
from virtual_parts import overnight, planted, stage

from soakd.clock import utc_text
from soakd.config.files import load_sheet
from soakd.config.shipped import find
from soakd.model.entry import EntryRequest, Window
from soakd.model.journal import StageAnnounced
from soakd.rules.entries import EntryEvent
from soakd.store.journal import Journal
from soakd.store.queue import Queue, claimed
from soakd.store.writer import Writer

PASSED, BETTER, FAILED = "aaaa00000001", "aaaa00000002", "aaaa00000003"
"""Runs of trial 3, of trial 4 that was made from it, and of trial 4 again with one core that had become weak."""
_DAY_S = 86_400.0


def live_in(home):
    """Three nights, of which one failed, and a queue; returns what the daemon says of it, and the entry that is on."""
    third = load_sheet(find("lantern-trial-3", "sheets"))
    hour, weak = (stage(duration_s=3600.0),), planted("hot", core=2, seed=1)
    with closing(Writer(home / "journal.db")) as writer:
        journal = Journal(writer)
        _keep(journal, night(of=third, run_id=PASSED, began=_ago(3 * _DAY_S)))
        _keep(journal, night(run_id=BETTER, began=_ago(2 * _DAY_S)))
        _keep(journal, night(hour, weak, tick_s=10.0, run_id=FAILED, began=_ago(_DAY_S)))
        on, after_it = _queued(Queue(writer), writer, third)
    standing = {
        "covered": False, "failed": True, "run_id": FAILED, "since_utc": _ago(_DAY_S), "scope": "",
        "differs": ["core 2 computed a wrong result since"],
    }  # fmt: skip
    queue = {"waiting": 2, "held": 1, "running": 1}
    return {"standing": standing, "queue": queue, "next": {"entry_id": after_it, "plan": "Overnight"}}, on


def _ago(seconds):
    return utc_text(time.time() - seconds)


def _keep(journal, told):
    record, events, verdict = told
    ended = datetime.fromisoformat(record.started_utc) + timedelta(seconds=events[-1].at_s)
    evidence = verdict.evidence.model_copy(update={"finished_utc": utc_text(ended.timestamp())})
    verdict = verdict.model_copy(update={"evidence": evidence})
    journal.begin(record)
    first = next(number for number, event in enumerate(events) if isinstance(event, StageAnnounced))
    for number, event in enumerate(events):
        if number == first:
            journal.load_begins(record.run_id, event)
        else:
            journal.add(record, event)
    journal.finish(verdict)


def _queued(queue, writer, sheet):
    wanted = EntryRequest(plan=overnight(), sheet=sheet)
    nightly = Window(opens="22:00", closes="06:00", zone="Europe/Berlin")
    wishes = (wanted, wanted, wanted.model_copy(update={"when": nightly, "count": None}), wanted, wanted)
    on, after_it, _, held, gone = (
        queue.add(f"bbbb0000000{number}", _ago(3600.0), wish, _ago(0.0)) for number, wish in enumerate(wishes)
    )
    writer.write([claimed(on)])
    queue.move(held, EntryEvent.HOLD, "by hand")
    queue.move(gone, EntryEvent.CANCEL, "by hand")
    return on.entry_id, after_it.entry_id
