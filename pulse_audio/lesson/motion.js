// The drawings: crank, rods, pistons and strip marker at a crank angle.
class Motion {
  constructor(book) {
    this.book = book;
    this.cards = [...document.querySelectorAll(".card")].map((card) => {
      const layout = book.layouts[Number(card.dataset.layout)];
      return {
        cycle: layout.cycle,
        crank: card.querySelector(".crank"),
        marker: card.querySelector(".marker"),
        names: [...card.querySelectorAll(".pin-name")],
        pistons: [...card.querySelectorAll(".pistons > g")].map((g) => ({
          bank: Number(g.dataset.bank),
          throwDeg: Number(g.dataset.throw),
          fires: g.dataset.fires.split(" ").map(Number),
          body: g.querySelector(".piston"),
          flame: g.querySelector(".flame"),
          rod: g.querySelector(".rod"),
        })),
      };
    });
  }

  draw(deg) {
    for (const card of this.cards) {
      if (card.marker) card.marker.setAttribute("transform", `translate(${mod(deg, 720).toFixed(1)})`);
      if (!card.crank) continue;
      card.crank.setAttribute("transform", `rotate(${mod(deg, 360).toFixed(1)})`);
      for (const name of card.names) this.place(name, Number(name.dataset.throw) + deg, 1.45);
      for (const piston of card.pistons) this.movePiston(piston, deg, card.cycle);
    }
  }

  point(deg, radius) {
    const a = (deg * Math.PI) / 180, r = radius * this.book.radius;
    return [r * Math.sin(a), -r * Math.cos(a)];
  }

  place(element, deg, radius) {
    const [x, y] = this.point(deg, radius);
    element.setAttribute("x", x.toFixed(1));
    element.setAttribute("y", y.toFixed(1));
    // A long name beside its pin must not lie over it.
    element.style.textAnchor = Math.abs(x) < 0.4 * this.book.radius ? "middle" : x > 0 ? "start" : "end";
  }

  movePiston(piston, deg, cycle) {
    const t = ((piston.throwDeg + deg - piston.bank) * Math.PI) / 180;
    const distance = Math.cos(t) + Math.sqrt(1 / this.book.rodRatio ** 2 - Math.sin(t) ** 2);
    const [px, py] = this.point(piston.bank, distance), [cx, cy] = this.point(piston.throwDeg + deg, 1);
    piston.body.setAttribute("transform", `translate(${px.toFixed(1)} ${py.toFixed(1)}) rotate(${piston.bank})`);
    const rod = { x1: cx, y1: cy, x2: px, y2: py };
    for (const key in rod) piston.rod.setAttribute(key, rod[key].toFixed(1));
    const since = Math.min(...piston.fires.map((fire) => mod(deg - fire, cycle)));
    piston.flame.setAttribute("opacity", Math.max(0, 1 - since / 120).toFixed(2));
  }
}
