"""Simulated instruments that are honest peers.

They are written from the instrument's point of view: SCPI-1999 and IEEE 488.2 for
instruments with a program, NMEA 0183 for receivers, plain ASCII lines for the rest. They
share one optical world with its own truth. Nothing here knows who will connect; standard
library and numpy only. Start them with ``python -m sim_instruments --scenario NAME``.
"""
