"""The look of all pictures: sheets, panels, labels, bars, traces.

Knows no result: `canvas` holds styles and colours by role, `stacks` lays out panels, `ticks` sets ranges and marks,
`labels` keeps words apart, `elements` draws what several pictures share.
May import the ground floor.
"""
