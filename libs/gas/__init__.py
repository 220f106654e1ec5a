"""Pressure, mixture, depth and heat of breathing gas. Knows no cylinder, no shop and no rule of law.

Units end every name; a pressure and a mixture cross a seam only as `Pressure` and `Mix`, never as bare floats.
"""
