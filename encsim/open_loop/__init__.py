"""The axis in steady motion without its loop, in closed form: no random numbers, microseconds a speed.

`period_error` makes the error of one signal period, `cause_models` what each cause adds to a velocity, `closed_form`
the ripple curve; `limits` the top speed; `validity` says where not to believe it.
May import the ground floor, `model` and `rings`.
"""
