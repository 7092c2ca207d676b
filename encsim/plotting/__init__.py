"""The look of all pictures: sheets, panels, labels, bars, traces. May import the ground floor."""
