"""A studio at a tidal mill on an invented coast: synthesised pictures, each with a reason to be there."""
