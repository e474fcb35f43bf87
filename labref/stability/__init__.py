"""Statements about stability that a reviewer accepts.

Deviations with bounds, noise type and gap report (`deviations`), live ones (`running`), spectra
and linewidths, drift and jumps, comparisons of lasers, masks, and the catalogue by name.
Importing this package loads numpy only.
"""
