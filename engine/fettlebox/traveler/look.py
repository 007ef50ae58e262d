"""How the card looks: on a screen by day and by night, and on paper."""

DAY = {
    "paper": "#fbfaf6", "panel": "#f1efe8", "ink": "#22262b", "quiet": "#5a6068", "line": "#d4d0c4",
    "done": "#1f6140", "held": "#7a4a00", "rejected": "#9b2323", "warn": "#7a4a00",
}  # fmt: skip
NIGHT = {
    "paper": "#16181b", "panel": "#202327", "ink": "#e8e6df", "quiet": "#a7adb4", "line": "#3a3f45",
    "done": "#86cfa5", "held": "#efbb6a", "rejected": "#f39a92", "warn": "#efbb6a",
}  # fmt: skip


def _variables(colours: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())


CSS = (
    f":root{{color-scheme:light dark;{_variables(DAY)}}}"
    f"@media screen and (prefers-color-scheme:dark){{:root{{{_variables(NIGHT)}}}}}"
    """
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);
 font:16px/1.5 "Source Sans 3","Noto Sans",Cantarell,Ubuntu,"Liberation Sans",sans-serif}
main{max-width:68rem;margin:0 auto;padding:2rem 1.25rem 4rem;overflow-wrap:anywhere}
h1{font-size:1.05rem;font-weight:600;margin:0 0 .75rem;color:var(--quiet);overflow-wrap:anywhere}
h2{font-size:1.15rem;margin:2.5rem 0 .75rem;padding-top:.75rem;border-top:1px solid var(--line)}
h3{font-size:1rem;margin:0;display:inline}
.verdict{border-left:.4rem solid;padding:.25rem 0 .25rem 1rem;font-size:1.35rem;line-height:1.4;margin:0;
 overflow-wrap:anywhere;white-space:pre-line}
.done{border-color:var(--done)}.held{border-color:var(--held)}.rejected{border-color:var(--rejected)}
.word{display:block;font-size:.95rem;font-weight:700}
.done .word{color:var(--done)}.held .word{color:var(--held)}.rejected .word{color:var(--rejected)}
.note{margin:.75rem 0 0;overflow-wrap:anywhere}
.glance{display:flex;flex-wrap:wrap;gap:.25rem 2.25rem;margin:1.25rem 0 0;padding:.75rem 1rem;
 background:var(--panel);border:1px solid var(--line)}
.glance dt{color:var(--quiet);font-size:.9rem}.glance dd{margin:0;font-weight:600;overflow-wrap:anywhere}
.does{display:block;padding:.1rem 0 .35rem}
figure{margin:1.25rem 0 0}
img{display:block;width:100%;height:auto;border:1px solid var(--line);background:#fafaf7}
figcaption,.quiet{color:var(--quiet);font-size:.9rem}
.scroll{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}
th,td{text-align:left;padding:.3rem .75rem .3rem 0;border-bottom:1px solid var(--line);vertical-align:top;
 overflow-wrap:anywhere}
th{font-weight:400;color:var(--quiet);overflow-wrap:break-word}
thead th{color:var(--ink);font-weight:600}
.sides{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(19rem,100%),1fr));gap:0 2.5rem}
.route{list-style:none;margin:0;padding:0;counter-reset:step}
.route>li{counter-increment:step;position:relative;padding:.6rem 0 .8rem 2.75rem;
 border-bottom:1px solid var(--line)}
.route>li::before{content:counter(step);position:absolute;left:0;top:.6rem;width:1.9rem;text-align:center;
 background:var(--panel);border:1px solid var(--line);border-radius:.2rem;font-variant-numeric:tabular-nums}
.route dl{columns:2 22rem;column-gap:2rem;margin:.35rem 0 0;font-size:.92rem}
.route dl>div{display:grid;grid-template-columns:10rem 1fr;gap:1rem;break-inside:avoid}
.route dt{color:var(--quiet)}.route dd{margin:0;overflow-wrap:anywhere}
.route p{margin:.3rem 0 0}.route details{margin:.2rem 0 0;font-size:.92rem}
.warn{color:var(--warn)}
ul.plain{padding-left:1.2rem;margin:.5rem 0}
pre{background:var(--panel);border:1px solid var(--line);padding:.75rem 1rem;overflow-x:auto;font-size:.85rem;
 white-space:pre-wrap;overflow-wrap:anywhere}
.hash{display:block;color:var(--quiet)}
code,.hash{font-family:"Noto Sans Mono","Liberation Mono",monospace;font-size:.85rem;overflow-wrap:anywhere}
summary{cursor:pointer;padding:.3rem 0}
summary:focus-visible{outline:2px solid var(--ink);outline-offset:2px}
.turn .stage{position:relative;border:1px solid var(--line);background:var(--panel)}
.turn canvas{display:block;width:100%;height:min(28rem,60vh);touch-action:pan-y;cursor:grab}
.turn canvas:active{cursor:grabbing}
.turn canvas:focus-visible,.turn input:focus-visible,.turn button:focus-visible{outline:2px solid var(--ink);
 outline-offset:2px}
.side{position:absolute;top:.5rem;padding:0 .75rem;color:var(--ink);pointer-events:none}
.side.left{left:0}.side.right{right:0}
.cut{position:absolute;top:0;bottom:0;left:50%;border-left:1px dashed var(--quiet);pointer-events:none}
.reins{display:flex;flex-wrap:wrap;align-items:center;gap:.5rem .75rem;margin:.6rem 0 0}
.row{display:flex;gap:.5rem}
.reins input{flex:1 1 14rem;height:2rem;margin:0;accent-color:var(--ink)}
.reins button{font:inherit;color:var(--ink);background:var(--panel);border:1px solid var(--quiet);
 border-radius:.2rem;padding:.25rem .8rem;min-height:2.25rem;cursor:pointer}
.turn .quiet{margin:.4rem 0 0}
@media print{
 .turn{display:none}
 @page{margin:14mm}
 body{background:#fff;font-size:10.5pt}main{max-width:none;padding:0}
 figure,.route dl>div,tr{break-inside:avoid}h2,h3{break-after:avoid}
 figure{margin-top:4mm}.verdict{font-size:13pt}
 .route dl{columns:2 12rem}.route dl>div{grid-template-columns:7.5rem 1fr}
 img{width:auto;max-width:100%;max-height:62mm}
}
"""
)
