"""The car in the bay: what to look at, in which order, and what to tell of it."""
