"""Frozen descriptions: axis, signal, estimators, load and control, ring, profiles, distributions.

May import the ground floor.
"""
