"""Rings on shafts: errors by order, heads, growth, clamping, tolerances, budgets and centring.

`error_orders` is where the others begin: the harmonics of a turn that a mounted ring makes, head by head.
May import the ground floor and `model`.
"""
