"""What the workbench page shows beyond the report; the page itself only sets it."""
