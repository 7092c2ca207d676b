"""The look of all pictures and texts.

Knows no result: `canvas` holds styles and colours by role, `stacks` lays out panels, `ticks` sets ranges and marks,
`labels` keeps words apart, `elements` draws what several pictures share; `report_layout` fits texts to the terminal.
May import the ground floor.
"""
