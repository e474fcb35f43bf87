"""Moving outputs: who may, within which limits, and what is left behind (rules S1 to S7).

`runner.Runner` walks every actuator by at most one step a pass. Nothing here knows an instrument:
`labref.session` hands ports in. Default is off: an output moves only if the lab file opts it in and
a person armed its actuator at run time.
"""
