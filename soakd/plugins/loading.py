"""From what the configuration says of a plugin to what its code makes of it.

Loading runs somebody else's code: only ever do it in a process that may die of it. The code is a function `sensors` or
`workload`, given the options, in a plugin.py that nobody but root and soakd's own user could have written, or behind an
entry point of an installed package (entry points specification of the Python Packaging Authority).
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
from importlib import metadata, util
from itertools import islice
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from soakd.errors import PluginError, SoakdError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from soakd.model.plug import Plug

GROUPS: Final = MappingProxyType({"sensors": "soakd.sensors", "workload": "soakd.workloads"})
"""Kind of plugin to the group of its entry points."""
FILE: Final = "plugin.py"
MOST_FILES: Final = 2000
_LONGEST_ERROR: Final = 300
_SHARED: Final = stat.S_IWGRP | stat.S_IWOTH


def made(plug: Plug) -> tuple[Any, str]:
    """What the plugin makes of its options, and the SHA-256 (hex) of its code. Raises PluginError, which names it."""
    try:
        factory = _from_folder(plug) if os.sep in plug.source else _from_entry_point(plug)
        return factory(dict(plug.options)), digest(Path(str(sys.modules[factory.__module__].__file__)))
    except PluginError:
        raise
    except BaseException as error:
        raise failed(plug, error) from error


def failed(plug: Plug, error: BaseException) -> PluginError:
    """Whatever the plugin raised, as a refusal that names it."""
    hint = error.hint if isinstance(error, SoakdError) else ""
    return PluginError(f"plugin {plug.name}: {said(error)}", hint=hint)


def said(error: BaseException) -> str:
    """An exception of somebody else's in one line; its own text may fail too."""
    try:
        text = " ".join(str(error)[:_LONGEST_ERROR].split())
        if isinstance(error, SoakdError) and text:
            return text
    except Exception:  # noqa: BLE001 - somebody else's code again
        text = "and cannot say why"
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def digest(file: Path) -> str:
    """SHA-256 (hex) over the plugin's Python files, each with its name: of a package all, of a module this one."""
    package = file.name in {FILE, "__init__.py"}
    files = sorted(file.parent.rglob("*.py")) if package else [file]
    whole = hashlib.sha256()
    for each in files:
        whole.update(f"{each.relative_to(file.parent)}\0".encode())
        whole.update(hashlib.sha256(each.read_bytes()).digest())
    return whole.hexdigest()


def _from_entry_point(plug: Plug) -> Callable[[dict[str, Any]], Any]:
    group = GROUPS[plug.kind]
    offered = metadata.entry_points(group=group)
    found = [each for each in offered if each.name == plug.source]
    if not found:
        names = ", ".join(sorted({each.name for each in offered})) or "none"
        raise PluginError(
            f"plugin {plug.name}: no installed package offers {plug.source} among its {group}",
            hint=f"installed here: {names}; a folder is named by its absolute path",
        )
    if len({each.value for each in found}) > 1:
        who = ", ".join(sorted(each.value for each in found))
        raise PluginError(f"plugin {plug.name}: several packages offer {plug.source} among their {group}: {who}")
    return _callable(plug, found[0].load(), found[0].value)


def _from_folder(plug: Plug) -> Callable[[dict[str, Any]], Any]:
    folder = own_folder(plug)
    name = f"soakd_plugin_{plug.name.replace('-', '_')}"
    spec = util.spec_from_file_location(name, folder / FILE, submodule_search_locations=[str(folder)])
    if spec is None or spec.loader is None:
        raise PluginError(f"plugin {plug.name}: {folder / FILE} is no Python file")
    module = util.module_from_spec(spec)
    sys.modules[name] = module
    written, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    try:
        spec.loader.exec_module(module)
    finally:
        sys.dont_write_bytecode = written
    return _callable(plug, getattr(module, plug.kind, None), f"{FILE}: {plug.kind}")


def _callable(plug: Plug, found: Any, where: str) -> Callable[[dict[str, Any]], Any]:
    if not callable(found):
        raise PluginError(f"plugin {plug.name}: {where} is no function; it has to take the options")
    return found  # type: ignore[no-any-return]


def own_folder(plug: Plug) -> Path:
    """Its folder, with links resolved. Raises PluginError where others could change it, or what lies above it."""
    path = Path(plug.source)
    if not path.is_absolute():
        raise PluginError(f"plugin {plug.name}: {path}: give the absolute path of its folder")
    try:
        folder = path.resolve(strict=True)
        if not (folder / FILE).is_file():
            raise PluginError(f"plugin {plug.name}: {path} has no {FILE}")
        for place, about in _all_within(plug, folder):
            if stat.S_ISLNK(about.st_mode):
                raise PluginError(f"plugin {plug.name}: {place} is a link; put the file itself there")
            _refuse_shared(plug, folder, place, about, _SHARED)
        for place in folder.parents:
            about = place.stat()
            # Others may write into a sticky folder and still not rename what is another's (inode(7)).
            _refuse_shared(plug, folder, place, about, 0 if about.st_mode & stat.S_ISVTX else _SHARED)
    except OSError as error:
        raise PluginError(f"plugin {plug.name}: {error.filename or path}: {error.strerror}") from error
    return folder


def _all_within(plug: Plug, folder: Path) -> Iterator[tuple[Path, os.stat_result]]:
    yield folder, folder.stat()
    within = folder.rglob("*")
    for place in islice(within, MOST_FILES):
        yield place, place.lstat()
    if next(within, None) is not None:
        raise PluginError(
            f"plugin {plug.name}: {folder} holds more than {MOST_FILES} files; give it a folder of its own"
        )


def _refuse_shared(plug: Plug, folder: Path, place: Path, about: os.stat_result, shared: int) -> None:
    if about.st_uid not in {0, os.geteuid()} or about.st_mode & shared:
        raise PluginError(
            f"plugin {plug.name}: others than root and soakd's own user could change {place}",
            hint=f"chown -R it to soakd's user or root, and chmod -R go-w {folder}",
        )
