import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "rules")]

from telling_parts import clock, library, mailbox, outbox, webhooks  # noqa: E402

__all__ = ["clock", "library", "mailbox", "outbox", "webhooks"]
