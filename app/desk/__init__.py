"""The workbench page in parts: one session, one view for each step of the work."""
