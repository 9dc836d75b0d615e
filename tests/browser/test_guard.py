"""The browser of the tests itself: what leaves the machine is refused and told, and axe sees what is wrong."""


def test_a_request_that_leaves_the_machine_is_refused_and_recorded(page, strayed):
    page.set_content('<img src="http://192.0.2.1/picture.png">')  # an address of RFC 5737, which belongs to nobody
    page.wait_for_load_state()
    assert strayed == ["http://192.0.2.1/picture.png"]
    strayed.clear()


def test_axe_calls_grey_on_white_a_serious_violation(page, axe_violations):
    page.set_content('<html lang="en"><title>t</title><body><main><h1>t</h1><p style="color:#ccc">pale</p></main></body></html>')
    assert [line.split(":")[0] for line in axe_violations(page)] == ["serious color-contrast"]


def test_axe_is_silent_about_a_plain_page(page, axe_violations):
    page.set_content('<html lang="en"><title>t</title><body><main><h1>t</h1><p>dark</p></main></body></html>')
    assert axe_violations(page) == []
