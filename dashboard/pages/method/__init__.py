"""Method: how the numbers come about, and whether they can be trusted."""
