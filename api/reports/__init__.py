"""Reports as pages and on paper."""
