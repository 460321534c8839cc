"""Tests; a package, so that helpers have one name each."""
