"""Checks turn derived frequencies and witnesses into three-valued states."""
