"""The axis in steady motion without its loop, in closed form: no random numbers, microseconds a speed.

`period_error` computes the error of one signal period, `cause_models`, `table_model` and `line_model` what each cause
adds to a velocity, `closed_form` the ripple curve, `limits` the top speed; `validity` says where it is not reliable.
May import the ground floor, `model` and `rings`.
"""
