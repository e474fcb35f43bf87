"""A campaign: labref over weeks of an invented laboratory in which everything goes wrong.

    labref campaign ca_ion --days 2 --seeds 3 --json

The one place where labref and the simulated laboratory meet in one process: the laboratory
(`sim_instruments.campaign`) knows the truth, labref the readings, and this package compares.

    lab_text  the lab file of a scenario         person   a scripted human: repairs, arms, shots
    source    the laboratory as a source         exam     truth against verdicts, gate by gate
    run       one seed from begin to end         tallies  per fault kind, harm, down-time
    command   the command line                   report   tables for people and JSON
"""
