"""Both outboxes, the journal's and the one in memory, keep one contract."""

import pytest

from soakd.store.outbox import Draft, MemoryOutbox, MessageCounts, Outbox
from soakd.store.writer import Writer

EARLY, DUE, LATE = "2026-01-01T00:00:00.000Z", "2026-01-02T00:00:00.000Z", "2026-01-03T00:00:00.000Z"


def draft(target="a", next_at=EARLY, **changes):
    parts = {"created_utc": EARLY, "occasion": "verdict", "target": target, "subject": "s", "body": "b"}
    return Draft(**{**parts, "next_at_utc": next_at, **changes})


@pytest.fixture(params=["journal", "memory"])
def box(request, tmp_path):
    if request.param == "memory":
        yield MemoryOutbox()
        return
    writer = Writer(tmp_path / "journal.db")
    yield Outbox(writer)
    writer.close()


def numbers(box, now=DUE):
    return [message.message_id for message in box.due(now)]


def test_a_message_comes_back_as_it_was_written(box):
    box.add([draft(subject="Ä\n", body="two\nlines")])
    (message,) = box.due(DUE)
    assert (message.target, message.subject, message.body, message.attempt) == ("a", "Ä\n", "two\nlines", 0)
    assert (message.created_utc, message.occasion, message.next_at_utc) == (EARLY, "verdict", EARLY)


def test_only_what_is_due_is_given_oldest_first(box):
    box.add([draft("a", DUE), draft("b", LATE), draft("c", EARLY)])
    assert [message.target for message in box.due(DUE)] == ["a", "c"]
    assert box.due("2025-01-01T00:00:00.000Z") == []


def test_nothing_to_add_is_nothing(box):
    box.add([])
    assert box.counts() == MessageCounts(waiting=0, sent=0, given_up=0)


def test_a_failed_one_waits_for_its_next_moment_and_says_why(box):
    box.add([draft()])
    (number,) = numbers(box)
    box.failed(number, "refused", LATE)
    assert numbers(box) == []
    (message,) = box.due(LATE)
    assert message.attempt == 1
    assert box.lines(1)[0].error == "refused"


def test_one_that_is_put_off_was_not_tried(box):
    box.add([draft()])
    box.put_off(*numbers(box), LATE)
    assert numbers(box) == []
    assert box.due(LATE)[0].attempt == 0


def test_a_sent_one_is_never_due_again_whatever_comes_after(box):
    box.add([draft()])
    (number,) = numbers(box)
    box.sent(number, DUE)
    box.failed(number, "a late failure of another try", LATE)
    assert box.due("2030-01-01T00:00:00.000Z") == []
    line = box.lines(1)[0]
    assert (line.sent_utc, line.next_at_utc, line.error, line.attempt) == (DUE, None, None, 1)


def test_one_that_was_given_up_counts_when_it_gets_through_after_all(box):
    box.add([draft()])
    (number,) = numbers(box)
    box.failed(number, "no answer", None)
    assert box.counts() == MessageCounts(waiting=0, sent=0, given_up=1)
    box.sent(number, DUE)
    assert box.counts() == MessageCounts(waiting=0, sent=1, given_up=0)


def test_lost_ones_are_counted_for_their_target_until_one_gets_through(box):
    box.add([draft("a"), draft("a"), draft("b"), draft("a")])
    first, second, other, last = numbers(box)
    assert box.lost("a") == 0
    for number in (first, second, other):
        box.failed(number, "refused", None)
    assert (box.lost("a"), box.lost("b"), box.lost("nobody")) == (2, 1, 0)
    box.sent(last, DUE)
    assert (box.lost("a"), box.lost("b")) == (0, 1)


def test_only_old_ones_that_do_not_wait_are_forgotten(box):
    box.add([draft("sent"), draft("given up"), draft("waits"), draft("young", created_utc=LATE)])
    sent, lost, _, young = numbers(box)
    box.sent(sent, DUE)
    box.failed(lost, "refused", None)
    box.sent(young, DUE)
    box.forget(DUE)
    assert [line.target for line in box.lines(9)] == ["young", "waits"]


def test_the_latest_come_first_in_a_listing(box):
    box.add([draft("a"), draft("b"), draft("c")])
    assert [line.target for line in box.lines(2)] == ["c", "b"]
