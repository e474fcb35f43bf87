"""From counted radio frequencies to the atoms: exact equations, their integers, their uncertainty.

Pure functions and values, no I/O but the reading of the package's own catalogue. Every optical
frequency is an exact nominal plus a float64 offset, never one float.

    equation               nu = constant + sum of exact coefficient * channel
    comb, path             the equations of combs, counters, cavities, and the way to the atoms
    matrix, groups         the equations of a gate group as one product
    ratio                  quotients of optical frequencies
    reference              what a fractional error of a reference does to them
    uncertainty            counting part and constant part, with correlations
    sensitivity            an equation as a readable table
    asynchrony, windows    gates that are not the same gate, windows that are not gates
    mode_number, rates     integers from a coarse value, from several repetition rates
    signs, side, life      signs, sides of local oscillators, the end of life of an integer
    transitions, zeeman    published values with their sources; components and targets
    refractivity, air      the index of air; wavelengths in every direction
    place, constants       height, plane; constants of nature
"""
