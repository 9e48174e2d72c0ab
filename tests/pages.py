"""A page as a browser sees it, for tests of what it holds and what it asks for."""

from html.parser import HTMLParser


class Page(HTMLParser):
    """Tags, what they point to, and what a reader reads."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.links, self.words, self.classes = [], [], [], []
        self.style = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.links += [value for key, value in attrs if key in ("src", "href", "srcset", "action")]
        self.classes += [value for key, value in attrs if key == "class"]
        assert not any(key.startswith("on") for key, _ in attrs)

    def handle_data(self, data):
        if self.lasttag == "style":
            self.style += data
        else:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    @property
    def asks_for(self):
        """What would be fetched from outside the page."""
        return [link for link in self.links if not link.startswith(("data:", "#"))]
