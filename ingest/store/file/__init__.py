"""The store's file itself: its schema, opening, keeping, copying, checking and mending it."""
