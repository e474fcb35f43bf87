"""Planning: what each transition needs, what each reference gives, the simplest that suffices.

    uses (lab file) ──► requirement ─┐
                                     ├──► budget: margins ──► answer: recommended, next better
    parts (data) ──► offers ─────────┘

Physics stands in `lines`, `bloch`, `cooling`, `pulses` and `clocks`, one formula with its source
per function; data with their sources in `parts.toml` and `offers.toml`. Nothing here knows a
wire, a trace or a session.
"""
