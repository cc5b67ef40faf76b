"""The chain of verdicts: each one's place, its signature, and the link that the next one names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from soakd.errors import BenchKeyError
from soakd.model.run import RunRecord
from soakd.model.statement import Place
from soakd.rules.canonical import UnsoundError
from soakd.rules.envelope import sealed, signed_bytes
from soakd.rules.statement import link_of_signed, link_of_unsigned, payload_of, statement_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.model.verdict import Verdict
    from soakd.ports import Signer
    from soakd.store.reader import Reader, Row
    from soakd.store.writer import Statement


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One place of the chain, and what the ledger holds for it; None for what is not there."""

    number: int
    run_id: str
    link: str | None
    """None for a verdict that was not signed in its time."""
    envelope: str | None
    unsigned: str | None
    """Why there is no envelope."""
    record: str | None
    body: str | None
    columns: Row
    """The verdict's row without its body."""


class Chain:
    """Over an open journal. All methods raise StoreError when it cannot be read."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def exists(self) -> bool:
        ((count,),) = self._reader.read("has_chain")
        return bool(count)

    def keys(self) -> list[str]:
        """Public keys that have signed something here, oldest first, as PEM."""
        return [str(public) for (public,) in self._reader.read("bench_keys")] if self.exists() else []

    def links(self) -> Iterator[Link]:
        """The whole chain in order, a page at a time."""
        last = 0
        while rows := self._reader.read("links_after", last):
            yield from (_link(row) for row in rows)
            last = rows[-1][0]

    def link(self, run_id: str) -> Link | None:
        """That of one run; None where it has no place in the chain."""
        rows = self._reader.read("number_of_run", run_id) if self.exists() else []
        return _link(self._reader.read("links_after", rows[0][0] - 1)[0]) if rows else None

    def newest(self) -> str | None:
        """The link of the last verdict; None before there is one that has its own."""
        rows = self._reader.read("newest_link")
        return None if not rows or rows[0][1] is None else str(rows[0][1])

    def outside(self) -> tuple[list[str], list[str]]:
        """Runs whose verdict has no place in the chain, and finished runs that have no verdict."""
        rows = self._reader.read("outside_chain")
        return [run for run, has in rows if has], [run for run, has in rows if not has]

    def entering(self, verdict: Verdict, body: str, signer: Signer | None) -> list[Statement]:
        """What has to be written with a verdict: its place, and its signature or why it has none."""
        place = self._next_place()
        if signer is None:
            return [_unsigned(verdict, place, body, "nothing was there to sign it with")]
        try:
            record = self._record(verdict.run_id)
            payload = payload_of(statement_of(record, verdict, place, signer.soakd_version))
            signed = signer.sign(signed_bytes(payload))
        except BenchKeyError as error:
            return [_unsigned(verdict, place, body, error.message)]
        except UnsoundError as error:
            return [_unsigned(verdict, place, body, str(error))]
        text = sealed(payload, signed.keyid, signed.signature)
        link = (place.number, verdict.run_id, link_of_signed(payload), text, None)
        return [("insert_key", (signed.keyid, signed.public)), ("insert_link", link)]

    def _next_place(self) -> Place:
        rows = self._reader.read("newest_link")
        if not rows:
            return Place(number=1, previous=None)
        ((number, link),) = rows
        return Place(number=number + 1, previous=link or self._link_before_signing())

    def _link_before_signing(self) -> str:
        """That of the last verdict from before verdicts were signed; the first signed one vouches for them all."""
        previous: str | None = None
        for each in self.links():
            previous = link_of_unsigned(Place(number=each.number, previous=previous), each.body or "")
        if previous is None:
            raise RuntimeError("an empty chain has no last link")
        return previous

    def _record(self, run_id: str) -> RunRecord:
        ((body,),) = self._reader.read("record_of_run", run_id)
        return RunRecord.model_validate_json(body, extra="ignore")


def verdict_row(verdict: Verdict) -> Row:
    """A verdict's row in the ledger, without its body: what listings and the bench's standing go by."""
    return (
        verdict.run_id,
        verdict.evidence.finished_utc,
        verdict.plan.name,
        verdict.sheet.name if verdict.sheet else None,
        verdict.outcome,
        verdict.reasons[0].text if verdict.reasons else None,
        verdict.fingerprint,
        int(verdict.drill),
    )


def _link(row: Row) -> Link:
    number, run_id, link, envelope, unsigned, record, body, *columns = row
    return Link(
        number=number,
        run_id=run_id,
        link=link,
        envelope=envelope,
        unsigned=unsigned,
        record=record,
        body=body,
        columns=tuple(columns),
    )


def _unsigned(verdict: Verdict, place: Place, body: str, why: str) -> Statement:
    return "insert_link", (place.number, verdict.run_id, link_of_unsigned(place, body), None, why)
