"""Settings proposed: gains, and everything else that is chosen by trying it on the plant."""
