"""`soakd verdict export`, `verify` and `key`: verdicts that leave this bench, and whether they are what was signed."""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soakd.cli.options import Json, print_json, write_whole

if TYPE_CHECKING:
    from soakd.service.bench_key import PublicKey
    from soakd.service.verifying import Checked, LedgerCheck

KeyFiles = Annotated[
    list[Path] | None,
    typer.Option("--key", help="Trust this public key alone (PEM). May be given again. Else the keys of this bench."),
]


def export(
    which: Annotated[str, typer.Argument(help="A run's identifier, the beginning of one, or `last`.")],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="File to write; else standard output.")] = None,
    json_: Json = True,  # noqa: ARG001 - there is no other form, but every command takes the option
) -> None:
    """Write one verdict as it was signed: with this file and the bench's public key it can be verified anywhere.

    Example: soakd verdict export last -o verdict.json
    """
    from soakd.service.home import Home
    from soakd.store.ledger import Ledger

    with closing(Ledger(Home().journal)) as ledger:
        text = f"{ledger.envelope(which)}\n"
    if out is None:
        sys.stdout.write(text)
        return
    write_whole(out, text)


def verify(
    which: Annotated[
        str | None, typer.Argument(help="An exported file, a run's identifier, the beginning of one, or `last`.")
    ] = None,
    all_: Annotated[bool, typer.Option("--all", help="The whole ledger, and whether a verdict is missing.")] = False,
    since: Annotated[
        str | None, typer.Option("--since", help="With --all: a newest link told earlier, to be found again.")
    ] = None,
    key: KeyFiles = None,
    json_: Json = False,
) -> None:
    """Check schema, digests and signature of a verdict, and judge its evidence again.

    Ends with 0 when all is verified, 1 when anything is refused, 10 when something is unsigned, or was signed by
    another version of soakd than this one and comes out differently here.

    Example: soakd verdict verify verdict.json --key bench.pem
    """
    from soakd.errors import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS, UsageError

    if (which is None) is not all_ or (since is not None and not all_):
        raise UsageError(
            "give either one verdict, or --all and perhaps --since", hint="see `soakd verdict verify --help`"
        )
    found = _whole(key, since) if which is None else _one(which, key)
    _show(found, as_json=json_)
    codes = {"verified": EXIT_PASS, "refused": EXIT_FAIL, "unsigned": EXIT_INCONCLUSIVE, "otherwise": EXIT_INCONCLUSIVE}
    raise typer.Exit(codes[found.state])


def key(
    new: Annotated[bool, typer.Option("--new", help="Make another key, which signs from now on.")] = False,
    json_: Json = False,
) -> None:
    """Show the public key with which verdicts of this bench can be verified. The private one never leaves the bench.

    Example: soakd verdict key > bench.pem
    """
    from soakd.errors import UsageError
    from soakd.service.bench_key import BenchKey, keys_of_bench
    from soakd.service.home import Home

    home = Home()
    own = BenchKey(home.key)
    if not new and not home.key.exists() and not keys_of_bench(home):
        raise UsageError("there is no key yet", hint="the first run makes one; so does `soakd verdict key --new`")
    if new:
        home.make()
        own.renew()
    public = own.public()
    if json_:
        print_json({"keyid": public.keyid, "public_key": public.pem})
        return
    sys.stdout.write(public.pem)


def _one(which: str, key_files: list[Path] | None) -> Checked:
    from soakd.errors import UsageError
    from soakd.service.home import Home
    from soakd.service.verifying import Verifier
    from soakd.store.ledger import Ledger

    path = Path(which)
    if path.is_file():
        try:
            raw = path.read_bytes()
        except OSError as error:
            raise UsageError(f"{path}: {error.strerror}") from error
        trusted = _trusted(key_files)
        if not trusted:
            raise UsageError("this bench has no key to verify with", hint="name the signer's public key with --key")
        return Verifier(trusted).file(raw, which)
    if path.suffix == ".json" or path.parent != Path():
        raise UsageError(f"there is no file {which}")
    with closing(Ledger(Home().journal)) as ledger:
        return Verifier(_trusted(key_files)).link(ledger.link(which))


def _whole(key_files: list[Path] | None, since: str | None) -> LedgerCheck:
    from soakd.service.home import Home
    from soakd.service.verifying import Verifier
    from soakd.store.chain import Chain
    from soakd.store.ledger import Ledger
    from soakd.store.newest import noted

    journal = Home().journal
    known = [link for link in (since, noted(journal)) if link is not None]
    with closing(Ledger(journal)) as ledger:
        ledger.require_chain()
        return Verifier(_trusted(key_files)).ledger(Chain(ledger), known)


def _trusted(key_files: list[Path] | None) -> list[PublicKey]:
    """Those that were named, else those of this bench, newest first; none where nothing was ever signed."""
    from soakd.errors import UsageError
    from soakd.service.bench_key import keys_of_bench, public_key
    from soakd.service.home import Home

    if key_files:
        try:
            return [public_key(path.read_bytes(), path) for path in key_files]
        except OSError as error:
            raise UsageError(f"{error.filename}: {error.strerror}") from error
    return keys_of_bench(Home())


def _show(found: Checked | LedgerCheck, *, as_json: bool) -> None:
    from dataclasses import asdict

    from soakd.service.verifying import LedgerCheck

    if as_json:
        print_json({"state": found.state, **asdict(found)})
    elif isinstance(found, LedgerCheck):
        for each in found.verdicts:
            if each.state != "verified":
                sys.stdout.write(f"{each.what}: {each.state}: {each.text}\n")
        words = {
            "verified": "verified", "otherwise": "judged otherwise here", "unsigned": "unsigned", "refused": "refused",
        }  # fmt: skip
        counts = ", ".join(f"{found.count(state)} {text}" for state, text in words.items() if found.count(state))  # type: ignore[arg-type]
        said = "1 verdict" if len(found.verdicts) == 1 else f"{len(found.verdicts)} verdicts"
        sys.stdout.write(f"{said}: {counts or 'none'}; newest link {found.head or 'none'}\n")
    else:
        sys.stdout.write(f"{found.what}: {found.state}: {found.text}\n")
