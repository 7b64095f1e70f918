"""Files of any accepted form to accepted rows, with the books that prove nothing was lost."""
