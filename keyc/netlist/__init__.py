"""A board's netlist to the keyboard that is wired there, and what is wrong with it."""
