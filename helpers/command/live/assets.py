"""The programmes of a page: parts of Voila and of the widget packages as installed, and where a page finds them.

Voila's own pages load fonts and mathematics from the network, list folders and read their settings from the user's
home; ours take only the files named here.
"""

import json
from pathlib import Path

import tornado.web
from jupyter_core.paths import jupyter_path

EXTENSIONS = ("@voila-dashboards/widgets-manager8", "@jupyter-widgets/jupyterlab-manager", "anywidget")
STYLES = ("theme-light.css", "index.css")


class Kept(tornado.web.StaticFileHandler):
    """Files of installed packages; a browser may keep them for the evening."""

    def set_extra_headers(self, path):
        self.set_header("Cache-Control", "public, max-age=36000")
        self.set_header("X-Content-Type-Options", "nosniff")


def _holding(folders, name):
    """The first of the folders that holds a file or folder of this name."""
    found = next((Path(folder) for folder in folders if Path(folder, name).exists()), None)
    if found is None:
        raise FileNotFoundError(f"{name}: not in any of the folders of installed packages")
    return found


def _programme():
    return _holding(jupyter_path("voila", "templates", "base", "static"), "voila.js")


def _styles():
    return _holding(jupyter_path("nbconvert", "templates", "lab", "static"), STYLES[0])


def _extension(name):
    return _holding(jupyter_path("labextensions") + jupyter_path("voila", "labextensions"), name) / name


def handlers():
    """Addresses and handlers of these files."""
    found = [(r"/voila/static/(.*)", Kept, {"path": str(_programme())})]
    for name in STYLES:
        found.append((rf"/voila/styles/({name})", Kept, {"path": str(_styles())}))
    for name in EXTENSIONS:
        found.append((rf"/voila/labextensions/{name}/(.*)", Kept, {"path": str(_extension(name))}))
    return found


def _described(name):
    about = json.loads((_extension(name) / "package.json").read_text(encoding="utf-8"))["jupyterlab"]["_build"]
    return {"name": name} | {key: about[key] for key in ("load", "extension", "style") if key in about}


def page_config(base, run):
    """What the page's programme reads first; text of JSON, safe inside a page.

    Parameters
    ----------
    base : str
        Address that its own addresses begin with.
    run : str
        Stands for the kernel.
    """
    config = {
        "appName": "Workbooks",
        "appUrl": "voila/",
        "baseUrl": base,
        "kernelId": run,
        "fullStaticUrl": "/voila/static",
        "fullLabextensionsUrl": "/voila/labextensions",
        "federated_extensions": [_described(name) for name in EXTENSIONS],
        "disabledExtensions": [],
        "fullMathjaxUrl": "/own/formulas.js",
        "mathjaxConfig": "none",
        "progressiveRendering": True,
        "jupyterLabTheme": "light",
        "terminalsAvailable": False,
    }
    return json.dumps(config).replace("<", "\\u003c")
