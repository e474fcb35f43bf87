"""The wire's end of the simulators: sockets, pseudo-terminals, pacing, and wire faults."""
