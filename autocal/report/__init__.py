"""What a person looks at: pictures and the page."""
