"""chamberctl: setting up the loop that holds a vacuum chamber at pressure by pump speed."""
