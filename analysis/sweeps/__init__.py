"""Tables, trends and page of a sweep."""
