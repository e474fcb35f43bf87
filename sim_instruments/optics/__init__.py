"""The optical world that the instruments look at, with its own truth.

Time is cut into steps of equal length (`grid.Grid`). Everything that oscillates has one
frequency per step, the phase advances evenly within a step, and a reading is the weighted
mean over the steps of its gate. The mean over any gate and the truth written to file are
therefore the same sums, exactly. Frequencies are exact nominals (`fractions.Fraction`) plus
float64 offsets in Hz: an offset of 1 GHz still resolves 1e-7 Hz.
"""
