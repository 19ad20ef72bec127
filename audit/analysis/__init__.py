"""Statistics: table in, frozen result out."""
