"""Units, digits, words and charts for people; pure, so that mail, page and command agree."""
