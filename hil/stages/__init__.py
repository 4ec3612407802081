"""The bench's stages, one file each: observations in, verdicts out, no I/O."""
