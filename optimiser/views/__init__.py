"""Tables and charts: numbers first, drawing second."""
