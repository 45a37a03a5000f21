"""What several rooms need and none owns."""
