"""What the computer underneath needs: its memory, its clock, its signals, its log, its service manager."""
