"""What alerts say: subjects, letters, pictures, cautions."""
