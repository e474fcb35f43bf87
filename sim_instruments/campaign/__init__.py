"""A laboratory at the resolution of gates: weeks of overlapping faults, fast, with its own truth.

The simulated instruments beside this folder speak on wires and step by 10 ms; here a step is one
gate, and what instruments would have said is written down as numbers. That takes a hundredth
of the time, so that a month of a laboratory passes in minutes. Wires and drivers are tested with
the others; a campaign tests verdicts, relocks and what they do to the light.

    scenario   the file: lasers, ranges of faults, people
    draws      faults and people drawn from the ranges, by seed
    weather    everything that no output can change, an hour at a time
    laser      what an output can change: one lock, its piezo, its switch
    outputs    the knobs, with the log of harm
    lab        all of it, gate by gate: readings and truth
"""
