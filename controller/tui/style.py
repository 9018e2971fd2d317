"""Where things stand on the screen, narrow first.

Knows: ids and classes of the screens' widgets.
Must not know: anything else.

The classes ``-wide`` and ``-tall`` come a moment after a resize, so the plain rules are the ones
for 80 columns by 24 lines.
"""

from __future__ import annotations

__all__ = ["CSS"]

CSS = """
Screen { background: $background; color: $foreground; }
#headline { background: $panel; color: $foreground; }
Footer, KeysLine { background: $surface; }

OptionList { border: round $secondary; border-title-color: $primary; padding: 0; height: 1fr;
             background: $background; }
OptionList:focus { border: round $accent; }

/* choosing */
#lists { height: 1fr; }
#left { width: 1fr; }
#right { width: 1fr; }
#left #plans { height: 2fr; }
#left #benches { height: 1fr; }
#about { border: round $secondary; border-title-color: $primary; height: 3fr; padding: 0;
         scrollbar-size-vertical: 1; }
#right #records { height: 2fr; }
#right #records { text-wrap: nowrap; text-overflow: ellipsis; }
#find { height: 3; border: tall $accent; }
.-wide #left { width: 2fr; }
.-wide #right { width: 3fr; }

/* ready */
#ready { height: 1fr; padding: 1 1 0 1; }
#buttons { height: 3; align-horizontal: center; }
#buttons Button { margin: 0 2; height: 3; }
#buttons Button:focus { border: heavy $accent; text-style: bold; }

/* running and records */
#main { height: 1fr; }
#middle { width: 1fr; }
#steps { height: 1fr; }
.-typed.-low .watch { display: none; }
#plots { width: 1fr; display: none; }
#curve, #errors { display: none; }
.-curve #plots, .-errors #plots { display: block; }
.-curve #curve, .-errors #errors { display: block; }
.-curve #middle, .-errors #middle { display: none; }
.-wide #middle { display: block; width: 82; }
.-wide #plots { display: block; width: 1fr; }
.-wide #curve, .-wide #errors { display: block; }
.-wide.-low #errors { display: none; }
.-wide.-low.-errors #errors { display: block; }
.-wide.-low.-errors #curve { display: none; }
#endbox { display: none; height: auto; max-height: 40%; border-top: solid $accent; }
#endbox:focus { border-top: heavy $accent; }
#endbox.-shown { display: block; }

/* by hand */
#hand { height: 1fr; layout: vertical; }
#wanted { width: 1fr; height: auto; border: round $secondary; border-title-color: $primary;
          padding: 0; }
#wanted Input { border: tall $accent; }
#preview { min-height: 2; }
#relays { width: 1fr; height: 1fr; border: round $secondary; border-title-color: $primary; }
#relays:focus { border: round $accent; }
.-wide #hand { layout: horizontal; }
.-wide #wanted { height: 1fr; }

/* comparing */
#names { height: auto; }
#pairs { height: 2fr; }
#words { height: 1fr; border: round $secondary; border-title-color: $primary; }

/* what is told for a few seconds covers neither a question nor the final sentence */
ToastRack { dock: top; align: right top; margin-top: 1; margin-bottom: 0; }

/* questions */
.ask { align: center middle; background: $background 60%; }
.ask #box { width: 76; max-width: 96%; height: auto; max-height: 100%; border: heavy $accent;
            background: $surface; padding: 0 1; }
.ask #ask-title { background: $surface; padding: 0 1; }
.ask #reasons { height: auto; }
.ask #more { height: 1; display: none; }
.ask #more.-shown { display: block; }
.ask #actions { height: 14; text-wrap: nowrap; text-overflow: ellipsis; }
.ask #buttons { height: 3; }
.ask #buttons Button { margin: 0; }  /* both fit beside each other at 60 columns */
.ask StatusLine { dock: bottom; margin-bottom: 1; }  /* over the one of the screen below */
"""
