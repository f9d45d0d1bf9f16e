"""The ways by which an alert goes out, one file each."""
