"""References as files: the form in which a part, or a reference of your own, is written down.

One file, TOML or JSON with the same keys, holds one reference. A program that characterises a
light (from a trace, a beat, a spectrum) writes it; `labref plan LAB.toml --offer FILE` and
``offers = ["FILE"]`` of the lab file's ``[planning]`` read it. Example::

    labref_offer = 1                       # version of this form; always first
    name = "my_cavity"                     # letters, digits, '_' and '-'
    title = "10 cm cavity at 729 nm, fitted from our own trace"
    part = "whole"                         # whole | prestabilisation | anchor | transfer
    nominal_hz = "411042129776400.4"       # carrier for which [s_nu] holds, exact decimal text
    coherent = true                        # may it carry coherent pulses? default true
    effort = 6                             # optional: place in the order of simplicity
    source = "fitted: trace night_17, 2026-11-20T20:00:00Z, 36000 gates of 1 s"

    [accuracy]                             # fractional standard uncertainty, one sigma
    u = 2e-13
    source = "..."                         # each entry may have its own source

    [drift]                                # fractional, 1/s; sign does not matter
    per_s = 3.1e-16
    u_per_s = 2e-17                        # optional, added as 3 u to the size
    source = "linear fit, order 1"

    [sigma_y]                              # fractional deviation over averaging time
    statistic = "oadev"                    # adev or oadev; default oadev
    tau_s = [1, 10, 100, 1000]
    value = [2.1e-15, 1.4e-15, 1.3e-15, 2.0e-15]
    upper = [2.2e-15, 1.5e-15, 1.5e-15, 2.9e-15]   # optional bounds; upper is what is planned with
    source = "..."

    [s_nu]                                 # one-sided S_nu(f) of the light at nominal_hz, Hz^2/Hz
    f_hz = [1e-3, 0.5]
    value = [0.04, 0.02]
    source = "..."

An entry that is not known is left out, or has ``known = false`` with its ``source`` as the
reason: it is then *unknown*, and no use that depends on it is said to be served. Curves are
straight lines in a log-log plot and unknown outside their points. Fractional entries hold at
every carrier; S_nu is scaled by (nu / nominal_hz)^2. Keys that this form does not name are
errors, except under ``[notes]``, which may hold anything.

``part = "whole"`` is a light as it is used. The other parts enter the compositions of
`labref.planning.compose` in place of, or beside, the parts of ``parts.toml``: there entries may
also be absolute (``u_hz``, ``per_s_hz``, ``value_hz``; an ``[s_nu]`` without ``nominal_hz``),
which do not scale with the carrier.
"""
