"""The pages: one file each, server-rendered; what they show comes from the report's views."""

from __future__ import annotations

from typing import Final

from soakd.web.pages.compare import COMPARE
from soakd.web.pages.door import DOOR
from soakd.web.pages.frame import STATIC
from soakd.web.pages.help import HELP
from soakd.web.pages.ledger import LEDGER
from soakd.web.pages.now import LIVE, NOW
from soakd.web.pages.settings import SETTINGS
from soakd.web.pages.stop import STOPPING

PAGES: Final = (STATIC, *DOOR, STOPPING, NOW, LIVE, LEDGER, COMPARE, *SETTINGS, *HELP)
"""Routes that need nothing but the desk."""
