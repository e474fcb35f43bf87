"""The nouns: plain values that every other layer speaks in.

Standard library and numpy only. Nothing here reads a wire, a file or a clock
other than the two clocks of :mod:`labref.model.times`.
"""
