"""A SCPI-1999 instrument's side of the wire: syntax, command tree, status, exchange."""
