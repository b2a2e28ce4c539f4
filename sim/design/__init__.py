"""From a wish to a film: a box of free keys is searched by theory, by runs, and by what they say."""
