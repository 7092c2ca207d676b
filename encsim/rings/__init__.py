"""Rings on shafts: errors by order, heads, growth, clamping, tolerances, budgets and centring.

May import the ground floor, `model` and `formats`.
"""
