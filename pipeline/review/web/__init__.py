"""The review server.

`run_server` starts it; `http_protocol` limits its connections. `app` assembles the routes:
`login`, `page_routes` (HTML pages) and `exam_routes` (what an open exam page requests). `app_context` is what the
routes share, `security` checks every request, `login_throttle` slows the guessing of
passwords, `sessions` holds who is logged in, `worklist` sorts the exams,
`rendering` fills ``templates/``. ``static/`` holds our own ES modules and styles: no requests to other sites, no inline
script or style.
"""
