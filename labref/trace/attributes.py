"""Writing HDF5 attributes of new objects.

The high-level interface first writes every attribute under a temporary name, in case one is
replaced. A new file has hundreds and replaces none: writing them directly takes a third of the
time, during which no other thread runs.
"""

from __future__ import annotations

from typing import Any

import numpy as np


def put(target: Any, name: str, value: Any) -> None:
    """Write a new attribute: text, a list of texts (perhaps empty), a number or an array."""
    import h5py

    if isinstance(value, str | list):
        dtype = h5py.string_dtype()
        data = np.array(value, dtype=object)
    else:
        data = np.asarray(value)
        dtype = data.dtype
    kind = h5py.h5t.py_create(dtype, logical=True)
    space = h5py.h5s.create_simple(data.shape) if data.shape else h5py.h5s.create(h5py.h5s.SCALAR)
    attribute = h5py.h5a.create(target.id, name.encode(), kind, space)
    attribute.write(data, mtype=h5py.h5t.py_create(dtype))
