"""Text that goes into XML: what XML has no way to hold is replaced, the rest is the caller's to escape."""

from __future__ import annotations

import re

# XML 1.0 (fifth edition), section 2.2, production Char.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    """The text with every character that XML 1.0 forbids replaced by U+FFFD."""
    return _NOT_XML.sub("\N{REPLACEMENT CHARACTER}", text)
