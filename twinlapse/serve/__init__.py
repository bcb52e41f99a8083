"""The always-on service: files come in, prints begin and end by themselves, films come out."""
