"""The bench against faults planted by the thousand: what it finds, names, and never says.

`python -m tests.campaign [PART…]` runs all of it; `test_campaign.py` a seeded sample. Boards are
`hil.board`'s, presses follow the guide in this process. What reads the same is worked out apart from the
bench, by `copper_graph` (networkx).
"""

from __future__ import annotations

import sys
from pathlib import Path

# The helpers of the bench's tests lie beside them, and are imported by their bare names.
_HELPERS = str(Path(__file__).resolve().parents[1] / "hil")
if _HELPERS not in sys.path:
    sys.path.insert(0, _HELPERS)
