"""The mains fail: of every file only the state of its last sync is left. What does it is in power_cut.c."""

import shutil
import subprocess
from pathlib import Path

SOURCE = Path(__file__).with_suffix(".c")
NO_COMPILER = "not shown on this machine: there is no C compiler for the power-cut shim"


def built_shim(folder):
    """The shim, compiled into the folder; None where no compiler is."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return None
    library = folder / "power_cut.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", library, SOURCE, "-ldl"], check=True)
    return library


class Drive:
    """A state folder whose journal keeps only what was synced when the power goes."""

    def __init__(self, home, left, library):
        self._home = home
        self._left = left
        self._environment = {"LD_PRELOAD": str(library), "SHADOW": str(left)}

    def power_on(self):
        """What a process that writes there needs in its environment; all that is there now counts as synced."""
        shutil.rmtree(self._left, ignore_errors=True)
        self._left.mkdir()
        self._copy(self._home, self._left)
        return self._environment

    def cut(self):
        """After the processes are gone: the journal is as the drive has it."""
        for file in self._home.glob("journal.db*"):
            file.unlink()
        self._copy(self._left, self._home)

    def _copy(self, there, here):
        for file in there.glob("journal.db*"):
            if not file.name.endswith("-shm"):
                shutil.copy(file, here)
