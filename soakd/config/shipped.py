"""Files that travel with soakd: plans, sheets, schemas. In the clone beside the package, in a wheel inside it."""

from __future__ import annotations

from pathlib import Path

from soakd.errors import ConfigError


def data_root() -> Path:
    """The folder that holds configs/ and shared/."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "_data"
    return inside if inside.is_dir() else package.parent


def shipped(folder: str) -> dict[str, Path]:
    """Name to file, for configs/plans or configs/sheets."""
    return {path.stem: path for path in sorted((data_root() / "configs" / folder).glob("*.toml"))}


def find(wanted: str, folder: str) -> Path:
    """A file as named, or a shipped one by its bare name. Raises ConfigError naming the shipped ones."""
    path = Path(wanted)
    if path.is_file() or path.suffix or "/" in wanted:
        return path
    known = shipped(folder)
    if wanted not in known:
        names = ", ".join(known) or "none"
        raise ConfigError(file=wanted, key="", value="", wanted=f"no such file, and not a shipped one ({names})")
    return known[wanted]
