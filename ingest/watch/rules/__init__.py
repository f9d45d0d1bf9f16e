"""The rules beside the window: what is looked at, how it is bounded, and how each sensor stands towards it."""
