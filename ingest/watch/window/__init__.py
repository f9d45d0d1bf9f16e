"""A room's air judged against its acclimation window, in event time."""
