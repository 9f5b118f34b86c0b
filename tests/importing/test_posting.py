"""A part is posted again where the service says that it may be."""

import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from coldcase.importing import posting
from coldcase.importing.posting import NotPosted, PostedPart, Service

ANSWERS = b'{"line":1,"id":"a"}\n{"summary":{"lines":1}}\n'


@pytest.fixture
def peer():
    """A service that answers a part with the given statuses, one after another, and then with its lines."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            self.rfile.read(int(self.headers["Content-Length"]))
            status = statuses.pop(0) if statuses else 200
            body = ANSWERS if status == 200 else b'{"detail":"No."}'
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            pass

    statuses: list[int] = []
    server = HTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever).start()
    yield f"http://127.0.0.1:{server.server_port}", statuses
    server.shutdown()
    server.server_close()


@pytest.mark.parametrize("status", [500, 503, 429])
def test_what_may_be_sent_again_is(peer, monkeypatch, status):
    """An import whose process dies before its first line is told of as `internal`."""
    monkeypatch.setattr(posting, "FIRST_PAUSE", 0.01)
    url, statuses = peer
    statuses.append(status)
    said = []
    assert post(url, said) == [{"line": 1, "id": "a"}]
    assert len(said) == 1


def test_what_is_refused_for_good_is_not_sent_again(peer):
    url, statuses = peer
    statuses.append(403)
    with pytest.raises(NotPosted, match="No"):
        post(url, [])


def post(url, said):
    part = PostedPart(lines=[], posted=1, body=b"", end=0)
    return Service(url, "cc_x", "k", say=said.append).answers(part)
