"""The views of the workbench page; each draws itself from the session."""
