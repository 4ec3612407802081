"""C files to an image for the chip, and that image onto the board."""
