"""One file a stage: what it asks the board and the person, and when it is over.

What the answers mean is decided in `hil/stages/`.
"""
