"""Style sheet and script of the page. Colours of the figures hold 3:1 on the light and the dark ground."""

from __future__ import annotations

# Trace colours by role; shape and label always say the same.
INK = "#7d848c"  # ordinary firings, neutral marks
HOT = "#d2521e"  # misfires, limits
COOL = "#2b7fc4"  # wheel, model lines
SIDE = "#8a6bc9"  # third role: partial burns, the other log
FAINT = "rgba(125,132,140,0.35)"
# Grounds under numbers, from little to much: see-through, so that they grow away from the page's ground, light or
# dark, and its text stays legible on every one of them. Their order holds without colour.
SHADES = (
    "rgba(125,132,140,0.16)",
    "rgba(210,82,30,0.24)",
    "rgba(210,82,30,0.40)",
    "rgba(210,82,30,0.56)",
    "rgba(210,82,30,0.74)",
)

CSS = """
:root{color-scheme:light dark;--ground:#fbfaf7;--ink:#1b2025;--soft:#55606b;--line:#cfd3d6;--panel:#f0eee8;
--link:#1a5c94;--found:#a5360b;--clear:#1d6b3c;--undetermined:#7a5500;--grid:#d9dcde;--zero:#8b9197}
@media (prefers-color-scheme:dark){:root{--ground:#14181c;--ink:#e8eaec;--soft:#a9b2ba;--line:#3b444c;
--panel:#1e242a;--link:#8cc4f2;--found:#ff9a73;--clear:#7fd6a0;--undetermined:#f0c25f;--grid:#333c44;--zero:#78818a}}
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--ground);color:var(--ink);font:1rem/1.5 system-ui,-apple-system,"Segoe UI",
"Noto Sans","DejaVu Sans",sans-serif;overflow-wrap:anywhere}
a{color:var(--link)}
.skip{position:absolute;left:-100vw;top:0;
padding:.6rem 1rem;background:var(--ink);color:var(--ground);z-index:9}
.skip:focus{left:0}
:focus-visible{outline:3px solid var(--link);outline-offset:2px}
header,main,footer{max-width:62rem;margin:0 auto;padding:0 1.1rem}
header{padding-top:1.2rem}
h1{font-size:1.05rem;font-weight:600;margin:0;color:var(--soft)}
h2{font-size:1.3rem;line-height:1.25;margin:2.4rem 0 .7rem;padding-top:.7rem;border-top:2px solid var(--ink)}
h3{font-size:1.08rem;line-height:1.3;margin:1.6rem 0 .3rem}
p,ul,ol,dl{margin:.5rem 0}
li{margin:.2rem 0}
.answer{margin:1rem 0;padding:1rem 1.2rem;border:2px solid var(--tone);
border-left-width:.8rem;background:var(--panel)}
.answer .word{margin:0;font-weight:700;letter-spacing:.04em;color:var(--tone)}
.answer .headline{margin:.2rem 0 .4rem;font-size:1.35rem;line-height:1.3;font-weight:650}
.found{--tone:var(--found)}.clear{--tone:var(--clear)}.undetermined{--tone:var(--undetermined)}
.mind{border:1px solid var(--line);border-left:.4rem double var(--undetermined);
padding:.2rem 1rem .5rem;margin:1rem 0}
.mind h3{margin-top:.6rem}
.glance{list-style:none;padding:0;margin:.6rem 0;display:grid;gap:.3rem .5rem;
grid-template-columns:repeat(auto-fill,minmax(min(100%,17.5rem),1fr))}
.glance.short{grid-template-columns:repeat(auto-fill,minmax(min(100%,8rem),1fr))}
@media (min-width:32rem){.glance.short{grid-template-columns:repeat(auto-fill,minmax(14rem,1fr))}}
.glance li{margin:0;padding:.15rem .6rem;border:1px solid var(--line);border-left:.35rem solid var(--mark);
background:var(--ground)}
.glance b{margin-right:.35rem}.glance .bad,.glance .false{font-weight:600}
.bad{--mark:var(--found)}.false,.open{--mark:var(--undetermined)}.good{--mark:var(--clear)}.same{--mark:var(--soft)}
.false{border-left-style:double!important}.glance .open{border-left-style:dashed}
@media (min-width:52rem){.mind ul{columns:2;column-gap:2.5rem}.mind li{break-inside:avoid;margin:0 0 .3rem}}
dl{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,17rem),1fr));gap:.3rem 1.4rem}
dl div{display:flex;gap:.6rem;justify-content:space-between;border-bottom:1px solid var(--line)}
dl .long{grid-column:1/-1;justify-content:flex-start}.long dd{text-align:left}
dt{color:var(--soft);flex:none;max-width:60%}dd{margin:0;text-align:right;min-width:0}
.scroll{overflow-x:auto;margin:.6rem 0;background:linear-gradient(to left,var(--ground) 1rem,transparent) right/2rem 100% no-repeat local,
linear-gradient(to left,var(--line),transparent) right/.9rem 100% no-repeat scroll}
table{border-collapse:collapse;width:100%;font-size:.92rem;font-variant-numeric:tabular-nums;overflow-wrap:normal}
caption{text-align:left;color:var(--soft);padding-bottom:.3rem;overflow-wrap:anywhere}
th,td{padding:.3rem .55rem;text-align:right;border-bottom:1px solid var(--line);vertical-align:top}
th:first-child{text-align:left}
.words th,.words td{text-align:left}
.words td{min-width:6rem}
.names td{min-width:0}.names tbody th{min-width:13rem}.names td:nth-child(3){min-width:9rem}
td{white-space:nowrap}
.words td{white-space:normal}
td bdi,th bdi{overflow-wrap:anywhere}
thead th{border-bottom:2px solid var(--soft);font-weight:600;vertical-align:bottom}
tbody th{font-weight:500;min-width:4.5rem}
.marked th,.marked td{font-weight:700}
.marked th{box-shadow:inset .3rem 0 0 var(--found)}
figure{margin:1.2rem 0 2rem}
figcaption p{color:var(--soft);margin:.2rem 0 .5rem}
.key{display:flex;flex-wrap:wrap;gap:.1rem 1.1rem;list-style:none;padding:0;margin:.3rem 0;font-size:.9rem}
.key b{display:inline-block;min-width:1.3em;text-align:center}
.plot svg,.live{display:none;width:100%;height:auto}
.plot .wide{display:block}
.plot text{fill:var(--ink)}
.plot .g{stroke:var(--grid);fill:none}.plot .z{stroke:var(--zero);fill:none}
figure.open .plot{display:none}figure.open .live{display:block}
.closer{font:inherit;font-size:.9rem;color:var(--link);background:none;border:1px solid var(--line);
padding:.15rem .7rem;margin:.2rem 0;cursor:pointer}
@media (max-width:51rem){.plot .wide{display:none}.plot .middle{display:block}}
@media (max-width:32rem){.plot .middle{display:none}.plot .narrow{display:block}}
.missing{border:1px dashed var(--soft);padding:.7rem 1rem;margin:.5rem 0}
details{margin:.4rem 0}summary{cursor:pointer;color:var(--link);padding:.2rem 0}
code{font-size:.85em;overflow-wrap:anywhere}li code{white-space:nowrap}
footer{margin-top:2.5rem;padding-bottom:2rem;color:var(--soft);font-size:.9rem}
.js-plotly-plot .main-svg text{fill:var(--ink)!important}
.js-plotly-plot .hoverlayer text{fill:#14181c!important}
.js-plotly-plot .gridlayer path,.js-plotly-plot .polarsublayer path.angulargrid,
.js-plotly-plot .angular-grid path,.js-plotly-plot .radial-grid path{stroke:var(--grid)!important}
@media (max-width:52rem){table{font-size:.85rem}th,td{padding:.25rem .35rem}}
@media (max-width:32rem){.words th,.words td{padding:.2rem;font-size:.8rem}.words td,tbody th{min-width:3.2rem}
.names td{min-width:0}
.stack thead{display:none}.stack tbody th,.stack td{display:block;border:0;min-width:0;font-size:.85rem}
.stack tbody th{font-weight:700}.stack .none{display:none}
.stack tr{display:block;border-bottom:1px solid var(--line);padding:.2rem 0}
.stack td::before{content:attr(data-head) ": ";color:var(--soft)}}
@media (max-width:40rem){.answer .headline{font-size:1.15rem}header,main,footer{padding:0 .8rem}
th,td{padding:.25rem .35rem}}
@page{margin:11mm 12mm 13mm;
@bottom-left{content:"An aid to diagnosis. The service manual, local rules and licensed practice come first.";font:7.5pt system-ui,sans-serif;color:#333}
@bottom-right{content:counter(page) " / " counter(pages);font:7.5pt system-ui,sans-serif;color:#333}}
@media print{:root{color-scheme:light;--ground:#fff;--ink:#000;
--soft:#333;--line:#999;--panel:#fff;--link:#000;
--found:#a5360b;--clear:#1d6b3c;--undetermined:#7a5500;--grid:#ccc;--zero:#777}
body{font-size:9pt;line-height:1.4}table{font-size:8pt}.scroll{background:none}main ul,main ol{padding-left:1.3rem}
th,td{padding:.2rem .25rem}tbody th,.words td,.names tbody th{min-width:0}
header,main{max-width:none;padding:0}footer,.skip{display:none}
h2,h3{break-after:avoid}figure,.answer,.mind,.scroll,tr,dl div{break-inside:avoid}
details{display:none}.scroll{overflow:visible}.scroll:has(.stack){break-inside:auto}
#figures .body,#method .body,[id|="signal"] .body{columns:2;column-gap:7mm}
#figures figure{margin:0;padding:0 0 1rem}#figures h3{font-size:11pt;margin:.4rem 0 .2rem}
#figures p,.key,#method{font-size:8.2pt;line-height:1.32}#method td:nth-child(3){white-space:nowrap}
#method h3,[id|="signal"] h3{font-size:10pt;margin:.7rem 0 .2rem}
h2{margin:.9rem 0 .3rem;padding-top:.3rem}dl{gap:.1rem 1.4rem;margin:.3rem 0}p,ul,ol{margin:.35rem 0}li{margin:.1rem 0}
.plot .wide,.plot .middle,.closer,figure.open .live{display:none}.plot .narrow,figure.open .plot{display:block}.plot .narrow{width:90%}.mind ul{columns:2;column-gap:9mm}
a{text-decoration:none}}
"""

# The figures stand in the page as pictures. Their library lies packed beside them and is started only when somebody
# asks for a closer look at one.
SCRIPT = """
(function(){"use strict";
var store=document.getElementById("library"),started=null;
if(!store||!window.DecompressionStream||!window.Response)return;
function start(){
 if(!started)started=(async function(){
  var text=atob(store.textContent),bytes=new Uint8Array(text.length);
  for(var i=0;i<text.length;i++)bytes[i]=text.charCodeAt(i);
  var plain=new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  var code=document.createElement("script");
  code.textContent=await new Response(plain).text();
  document.head.appendChild(code);
  if(!window.Plotly)throw new Error("not started");})();
 return started;}
function open(figure,button){
 var key=button.getAttribute("data-figure"),live=document.createElement("div");
 live.className="live";figure.insertBefore(live,button);
 var spec=JSON.parse(document.getElementById("plot-"+key+"-data").textContent);
 figure.classList.add("open");
 var squares=spec.layout.meta&&spec.layout.meta.squares;
 if(squares)spec.layout.height=Math.round(Math.min(spec.layout.height,
  squares[0]*(live.clientWidth/squares[1])*0.92+60));
 spec.layout.dragmode=window.matchMedia("(pointer:fine)").matches?"zoom":"pan";
 return Plotly.newPlot(live,spec.data,spec.layout,{responsive:true,displaylogo:false,showTips:false});}
document.querySelectorAll(".closer").forEach(function(button){
 var figure=button.closest("figure"),words=button.textContent;
 button.hidden=false;
 button.addEventListener("click",function(){
  if(figure.classList.contains("open")){
   var live=figure.querySelector(".live");Plotly.purge(live);live.remove();
   figure.classList.remove("open");button.textContent=words;return;}
  button.textContent="Opening \\u2026";
  setTimeout(function(){
   start().then(function(){return open(figure,button);}).then(
    function(){button.textContent="Back to the picture";},
    function(){button.textContent="Cannot be opened in this browser";button.disabled=true;});},30);});});
})();
"""
