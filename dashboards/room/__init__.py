"""The page of one room: its charts, its weeks, its sensors."""
