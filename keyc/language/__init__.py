"""Text to a checked keyboard: statements, what they mean, every mistake that a file can have."""
