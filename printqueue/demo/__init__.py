"""A studio at a tidal mill on an invented coast: synthesised pictures, each there for a reason."""
