"""Is a verdict still what was signed, and does its outcome follow from its evidence? Is any missing from the ledger?"""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib.metadata import version
from typing import TYPE_CHECKING, Literal

from soakd.model.run import RunRecord
from soakd.model.statement import Place
from soakd.model.verdict import Verdict
from soakd.rules.canonical import UnsoundError
from soakd.rules.envelope import opened, signed_bytes
from soakd.rules.statement import Judged, judged_again, link_of_signed, link_of_unsigned
from soakd.store.chain import verdict_row

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Iterator

    from soakd.service.bench_key import PublicKey
    from soakd.store.chain import Chain, Link

State = Literal["verified", "otherwise", "unsigned", "refused"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What came of one verdict."""

    what: str
    """The file, or the run."""
    state: State
    """otherwise: signed as it stands, and this version of soakd comes to something else."""
    text: str
    run_id: str | None = None
    number: int | None = None
    outcome: str | None = None
    keyid: str | None = None


@dataclass(slots=True)
class LedgerCheck:
    """All verdicts of one ledger."""

    verdicts: list[Checked] = field(default_factory=list)
    head: str | None = None
    """The newest link. Whoever keeps it elsewhere can tell later whether the end of the chain was cut off."""

    def count(self, state: State) -> int:
        return sum(each.state == state for each in self.verdicts)

    @property
    def state(self) -> State:
        order: tuple[State, ...] = ("refused", "otherwise", "unsigned")
        return next((state for state in order if self.count(state)), "verified")


class Verifier:
    """Trusts these public keys, newest first, and no others."""

    def __init__(self, keys: Iterable[PublicKey]) -> None:
        self._keys = {key.keyid: key for key in keys}
        self._newest = next(iter(self._keys), None)
        self._here = version("soakd")

    def file(self, raw: bytes, what: str) -> Checked:
        """An exported envelope: needs nothing but these bytes and the public key."""
        try:
            keyid, payload = self._signed(_line(raw))
            return self._checked(what, keyid, judged_again(payload, self._here))
        except UnsoundError as error:
            return Checked(what=what, state="refused", text=str(error))

    def link(self, link: Link) -> Checked:
        """One verdict of the ledger, by itself."""
        return self._link(link)[0]

    def ledger(self, chain: Chain, known: Iterable[str] = ()) -> LedgerCheck:
        """Every verdict, its place, and whether one is missing, moved or foreign.

        `known`: newest links that were told earlier, and have to be in the chain still.
        """
        found, previous, number = LedgerCheck(), None, 0
        sought = list(dict.fromkeys(known))
        for link in chain.links():
            found.verdicts += _missing(number + 1, link.number - 1)
            checked, names, own = self._link(link)
            place = Place(number=link.number, previous=previous)
            if link.envelope is None:
                own, names = link_of_unsigned(place, link.body or ""), place
            broken = names != place or (link.link is not None and link.link != own)
            if broken and checked.state != "refused":
                text = "what stood before it in the ledger was changed, moved or taken out"
                checked = Checked(what=link.run_id, run_id=link.run_id, number=link.number, state="refused", text=text)
            found.verdicts.append(checked)
            previous, number = own or link.link, link.number
            sought = [each for each in sought if each != previous]
        found.verdicts += _outside(chain, {each.run_id for each in found.verdicts})
        text = "it was the newest, and is not in the chain: what it stands for was taken out of the ledger, or changed"
        found.verdicts += [Checked(what=f"link {each[:16]}…", state="refused", text=text) for each in sought]
        found.head = previous
        return found

    def _link(self, link: Link) -> tuple[Checked, Place | None, str | None]:
        """What came of it, the place that it says it has, and its own link."""
        refused = Checked(what=link.run_id, run_id=link.run_id, number=link.number, state="refused", text="")
        if link.body is None or link.record is None:
            return _with(refused, "its row was taken out of the ledger"), None, None
        if link.envelope is None:
            return _with(refused, link.unsigned or "", "unsigned"), None, None
        own = None
        try:
            keyid, payload = self._signed(link.envelope.encode())
            own = link_of_signed(payload)
            judged = judged_again(payload, self._here)
            _row_fits(link, judged)
            return self._checked(link.run_id, keyid, judged), judged.place, own
        except UnsoundError as error:
            return _with(refused, str(error)), None, own

    def _signed(self, text: bytes) -> tuple[str, bytes]:
        """Key and statement of an envelope whose signature fits. Raises UnsoundError."""
        envelope = opened(text)
        key = self._keys.get(envelope.keyid)
        if key is None:
            raise UnsoundError(f"it names key {envelope.keyid[:16]}…, which is not the key that it is verified with")
        if not key.verifies(envelope.signature, signed_bytes(envelope.payload)):
            raise UnsoundError("the signature does not fit: what was signed was changed, or another key signed it")
        return key.keyid, envelope.payload

    def _checked(self, what: str, keyid: str, judged: Judged) -> Checked:
        verdict = judged.verdict
        drill = ", a drill" if verdict.drill else ""
        whose = f"key {keyid[:16]}…" if keyid == self._newest else f"an earlier key, {keyid[:16]}…"
        text = (
            f"{verdict.outcome}{drill}: run {verdict.run_id} of {verdict.started_utc[:16]}Z, "
            f"number {judged.place.number} of its ledger, signed by {whose}"
        )
        if judged.otherwise:
            text = f"signed as it stands by soakd {judged.judged_by}, but {judged.otherwise}; {text}"
        return Checked(
            what=what,
            state="otherwise" if judged.otherwise else "verified",
            text=text,
            run_id=verdict.run_id,
            number=judged.place.number,
            outcome=verdict.outcome,
            keyid=keyid,
        )


def _line(raw: bytes) -> bytes:
    """What an exported file holds before its line feed. Raises UnsoundError."""
    if not raw.endswith(b"\n"):
        raise UnsoundError("it does not end with a line feed: it was cut off, or something was added")
    return raw[:-1]


def _with(checked: Checked, text: str, state: State = "refused") -> Checked:
    return Checked(what=checked.what, run_id=checked.run_id, number=checked.number, state=state, text=text)


def _row_fits(link: Link, judged: Judged) -> None:
    """What lists, pages and the bench's standing show is what was signed. Raises UnsoundError."""
    if judged.verdict.run_id != link.run_id:
        raise UnsoundError(f"the signature beside it is that of run {judged.verdict.run_id}")
    if judged.place.number != link.number:
        raise UnsoundError(f"it was signed as number {judged.place.number} of its ledger")
    if link.columns != verdict_row(judged.verdict) or not _same(Verdict, link.body, judged.verdict):
        raise UnsoundError("the ledger shows something else than what was signed")
    if not _same(RunRecord, link.record, judged.record):
        raise UnsoundError("the run's record is not the one that was signed")


def _same(kind: type[Verdict | RunRecord], text: str | None, signed: Verdict | RunRecord) -> bool:
    try:
        return kind.model_validate_json(text or "", extra="ignore") == signed
    except ValueError:
        return False


def _missing(first: int, last: int) -> Iterator[Checked]:
    if first <= last:
        what = f"number {first}" if first == last else f"numbers {first} to {last}"
        yield Checked(what=what, state="refused", text="not there: taken out of the ledger")


def _outside(chain: Chain, told: Container[str | None]) -> Iterator[Checked]:
    """`told`: runs of which the chain itself has told."""
    unlinked, unjudged = chain.outside()
    for run_id in unlinked:
        text = "it has no place in the chain: it was put into the ledger by something else"
        yield Checked(what=run_id, run_id=run_id, state="refused", text=text)
    for run_id in (run for run in unjudged if run not in told):
        text = "the run is finished and its verdict is not there: it was taken out of the ledger"
        yield Checked(what=run_id, run_id=run_id, state="refused", text=text)
