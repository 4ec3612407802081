"""The emulated chip: its blocks and lines, and a USB host at its plug."""
