"""Songs held against a module: parts, mapping, set-up, examination, and the row of a survey."""
