"""A ledger of signed verdicts on a small bench, and what may be done to one by hand."""

from __future__ import annotations

import base64
import json
import sqlite3

import rfc8785
from rules.run_parts import clean_run, found, record, sheet, verdict

from soakd.service.bench_key import BenchKey, keys_of_bench
from soakd.service.home import Home
from soakd.service.verifying import Verifier
from soakd.store.chain import Chain
from soakd.store.journal import Journal
from soakd.store.ledger import Ledger
from soakd.store.writer import Writer


def run_of(number):
    """Runs that differ; every third one fails."""
    about = record(run_id=f"run-{number:04d}", sheet=sheet(name=f"Trial {number}"))
    return about.model_copy(update={"fingerprint": fingerprint_of(about)})


def fingerprint_of(about):
    from soakd.rules.fingerprint import fingerprint

    return fingerprint(about.sheet, about.snapshot)


def verdict_of(about, number):
    events = clean_run(about)
    return verdict(about, [*events, found()] if number % 3 == 2 else events)


class Bench:
    """A state folder with a key and as many verdicts as are asked for."""

    def __init__(self, folder, runs=0, *, signed=True):
        self.home = Home(folder)
        self.home.make()
        self.key = BenchKey(self.home.key)
        for number in range(1, runs + 1):
            self.judge(number, signed=signed)

    def judge(self, number, *, signed=True):
        writer = Writer(self.home.journal)
        journal = Journal(writer, self.key if signed else None)
        cautions = journal.ready_to_sign()
        about = run_of(number)
        about = about.model_copy(update={"cautions": (*about.cautions, *cautions)})
        journal.begin(about)
        journal.finish(verdict_of(about, number))
        writer.close()

    def exported(self, which="last"):
        ledger = Ledger(self.home.journal)
        text = f"{ledger.envelope(which)}\n".encode()
        ledger.close()
        return text

    def verifier(self):
        return Verifier(keys_of_bench(self.home))

    def check(self, verifier=None):
        ledger = Ledger(self.home.journal)
        found = (verifier or self.verifier()).ledger(Chain(ledger))
        ledger.close()
        return found

    def by_hand(self, *statements):
        """What somebody with write access to the file can do: the triggers do not stop him."""
        connection = sqlite3.connect(self.home.journal)
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            connection.execute(statement)
        connection.commit()
        connection.close()


def payload_of(raw):
    return json.loads(base64.b64decode(json.loads(raw)["payload"]))


def spelt(envelope):
    """An envelope as soakd would write it."""
    return rfc8785.dumps(envelope) + b"\n"


def with_payload(raw, payload):
    """The same signature over something else."""
    return spelt({**json.loads(raw), "payload": base64.b64encode(payload).decode()})
