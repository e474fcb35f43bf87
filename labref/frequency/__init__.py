"""From counted radio frequencies to the atoms: exact equations, their integers, their uncertainty.

Pure functions and values, no I/O but the reading of the package's own catalogue. Every optical
frequency is an exact nominal plus a float64 offset, never one float.

    equation      nu = constant + sum of exact coefficient * channel
    comb, path    the equations of combs, counters, cavities, and the way to the atoms
    matrix        the equations of a gate group as one product
    reference     what a fractional error of a reference does to them
    uncertainty   counting part and constant part, with correlations
"""
