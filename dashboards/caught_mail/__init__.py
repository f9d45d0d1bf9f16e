"""The pages of mails that a demonstration caught."""
