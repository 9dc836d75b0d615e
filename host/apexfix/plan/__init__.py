"""Before the launch: where to stand."""
