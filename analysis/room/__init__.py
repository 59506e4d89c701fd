"""Room left: the best worst clearance still achievable on the way into the bay, and where it was lost."""
