"""The review server.

`run_server` starts it; `own_addresses` says where it is reached; `http_protocol` limits its connections. `app`
assembles the routes: `login`, `page_routes` (HTML pages), `exam_routes` (what an open exam page requests) and
`outcome_routes`. `app_context` is what the routes share, `exam_state` the document of an exam's page, `security` checks
every request, `login_throttle` slows the guessing of passwords, `sessions` holds who is logged in, `worklist` lists the
exams, `signature_check` compares the signed sheets with what was signed, `rendering` fills ``templates/``. ``static/``
holds our own ES modules and styles: no requests to other sites, no inline script or style.
"""
