"""The loop: one lab, its instruments, its clock, its plugins."""
