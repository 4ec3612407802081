"""keyc: from wiring on paper to C tables, a flashable image and a keyboard that is proven."""

__version__ = "0.1.0"
