"""What leaves the practice and what comes in from others: clean pictures, club bundles, open standards."""
