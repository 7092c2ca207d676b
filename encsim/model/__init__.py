"""Frozen descriptions of a machine: axis, signal, estimators, load and control, ring, profiles, distributions.

A description is checked when it is made and computes only what follows from its own fields. `axis.PARTS` lists the
parts of an axis, `estimators.KINDS` the estimators.
May import the ground floor.
"""
