"""Carries bytes between this host and one instrument. The only package that touches a wire.

A `Wire` moves bytes without blocking; a `Stepper` walks an *exchange* (a generator of steps:
send this, read a line) over a wire; a `Transport` does the same blocking. Waiting uses the
monotonic clock only, so that a step of the wall clock changes no time-out.
"""
