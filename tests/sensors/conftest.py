"""What several tests of sources need."""

import contextlib
import os
import tempfile
from pathlib import Path

import pytest


@pytest.fixture
def as_ordinary_user():
    """A folder open to everybody; an ordinary user's rights, because root reads every file whatever its mode."""
    root = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)

        @contextlib.contextmanager
        def rights():
            if root:
                os.seteuid(65534)
            try:
                yield
            finally:
                if root:
                    os.seteuid(0)

        yield Path(folder), rights
