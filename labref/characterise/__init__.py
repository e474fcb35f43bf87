"""Characterisation: what a record says about lasers, references, counters and wavemeters.

A plan names parts; each part reads series of a trace or a text file, computes what
`labref.stability` offers, and ends in lines that pass, fail or cannot be told. Everything here
works on stored readings; who records them is not its concern.
"""
