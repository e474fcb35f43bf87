"""Instruments: what to say, how to read it, and what may be believed.

A *dialect* (data in ``dialects/*.toml``, or code) makes a *program*: exchanges without I/O
that identify, configure, read back and fetch. An `Instrument` is a program plus the lab
file's channels plus a transport.
"""
