"""The invented site that shows what lumberroom does."""
