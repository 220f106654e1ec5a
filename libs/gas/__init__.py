"""Pressure, mixture, heat and depth of breathing gas. Knows no cylinder, no shop and no rule of law.

`states` says what a cylinder holds, `fill` when to stop, `blending` how to make a mixture, `bank` what a bank can fill, `depth` and
`exposure` what a mixture is good for. Units end every name; a pressure and a mixture cross a seam only as types: `Pressure` is what a
gauge reads, `AbsolutePressure` what a gas law takes, and what nobody has read is an `Estimated…` that says how sure it is.
"""
