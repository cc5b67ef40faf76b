"""Can verdicts be signed here?"""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING

from soakd.errors import BenchKeyError
from soakd.service.bench_key import BenchKey
from soakd.service.check import Check
from soakd.store.chain import Chain
from soakd.store.reader import Reader

if TYPE_CHECKING:
    from collections.abc import Iterator

    from soakd.service.home import Home


def bench_key(home: Home) -> Iterator[Check]:
    """The key's file against the keys that have signed here. Raises StoreError when the journal cannot be read."""
    used = _used(home)
    if not used and not home.key.exists():
        yield Check(name="bench key", state="good", text="none yet; the first run makes one")
        return
    try:
        key = BenchKey(home.key).public()
    except BenchKeyError as error:
        yield Check(name="bench key", state="weak", text=f"{error.message}: verdicts stay unsigned", remedy=error.hint)
        return
    earlier = len(set(used) - {key.pem})
    more = f"; {earlier} earlier ones signed verdicts here" if earlier else ""
    yield Check(name="bench key", state="good", text=f"{key.keyid[:16]}…{more}")


def _used(home: Home) -> list[str]:
    if not home.journal.is_file():
        return []
    with closing(Reader(home.journal)) as reader:
        return Chain(reader).keys()
