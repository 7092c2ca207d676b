"""Every compiled loop of the package; the only folder that imports numba.

In the order of the data: records, maths, chance, signals, counting, estimators, edge_timing; put together in
open_chain (steady motion), in encoder (any motion) with encoder_motion and, for one speed or for many side by side, in
closed_loop with the loop_* modules. jit compiles them.
May import nothing of the package.
"""
