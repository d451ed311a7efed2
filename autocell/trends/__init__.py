"""What changes from night to night, as far as the proved runs of one bench tell."""
