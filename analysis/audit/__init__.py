"""Many attempts together: rates, changes over time, groups, learning, patterns, agreement. Numbers in, numbers out."""
