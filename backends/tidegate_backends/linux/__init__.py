"""What several backends need of Linux itself: its folders and its events."""
