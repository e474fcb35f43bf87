"""Simulated instruments, each with its own program or sentence language."""
