"""A series as the containers of other libraries. They are asked for only when used."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from labref.model.exact import exact_text
from labref.trace.series import Series

if TYPE_CHECKING:
    import xarray


def to_xarray(series: Series) -> xarray.Dataset:
    """Return a Dataset over ``time`` (datetime64[ns], gate start) with all columns."""
    import xarray

    variables: dict[str, Any] = {
        "stop": ("time", series.stop_ns.astype("datetime64[ns]")),
        "offset": ("time", series.offset, {"units": series.unit}),
        "offset_errors": ("time", series.errors, {"units": series.unit}),
        "flags": ("time", series.flags),
    }
    if series.counts is not None:
        variables["count"] = ("time", series.counts)
    if series.state is not None:
        variables["state"] = ("time", series.state)
        variables["detuning"] = ("time", series.detuning, {"units": series.unit})
        variables["u_constant"] = ("time", series.u_constant, {"units": series.unit})
    return xarray.Dataset(
        variables,
        coords={"time": series.start_ns.astype("datetime64[ns]")},
        attrs={
            "name": series.name,
            "nominal": exact_text(series.nominal),
            "unit": series.unit,
            **series.attributes,
        },
    )
