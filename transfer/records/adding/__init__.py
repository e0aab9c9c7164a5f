"""Files in an owner's own layout, converted by a saved mapping and added to a season folder."""
