"""Station calibration."""
