"""What people and other programs see of a run."""
