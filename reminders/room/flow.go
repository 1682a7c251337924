package room

import (
	"slices"

	"handrail.example/reminders/civil"
)

// The flow of least cost, by the shortest augmenting path (Ahuja, Magnanti, Orlin,
// Network Flows, 1993, section 9.7): from a source through each visit, a minute of a
// day and that day to a sink. A visit that finds no place goes to the sink directly,
// at a cost above all others.

type edge struct {
	to, back  int // the node it leads to, and its twin's place among that node's edges
	room, fee int
}

type network struct{ nodes [][]edge }

func (n *network) node() int {
	n.nodes = append(n.nodes, nil)
	return len(n.nodes) - 1
}

func (n *network) link(from, to, room, fee int) {
	n.nodes[from] = append(n.nodes[from], edge{to, len(n.nodes[to]), room, fee})
	n.nodes[to] = append(n.nodes[to], edge{from, len(n.nodes[from]) - 1, 0, -fee})
}

// push sends units from source to sink, one a path, the cheapest path each time.
func (n *network) push(source, sink, units int) {
	for range units {
		came, ok := n.cheapest(source, sink)
		if !ok {
			return
		}
		for at := sink; at != source; {
			e := &n.nodes[came[at].node][came[at].edge]
			e.room--
			n.nodes[at][e.back].room++
			at = came[at].node
		}
	}
}

type step struct{ node, edge int }

const far = 1 << 50

// cheapest is the cheapest path, by the edge that each node was reached over. Fees may
// be negative on the way back, so edges are relaxed until nothing changes.
func (n *network) cheapest(source, sink int) ([]step, bool) {
	fee := slices.Repeat([]int{far}, len(n.nodes))
	came := make([]step, len(n.nodes))
	waits := make([]bool, len(n.nodes))
	fee[source] = 0
	for queue := []int{source}; len(queue) > 0; queue = queue[1:] {
		at := queue[0]
		waits[at] = false
		for i, e := range n.nodes[at] {
			if e.room == 0 || fee[at]+e.fee >= fee[e.to] {
				continue
			}
			fee[e.to], came[e.to] = fee[at]+e.fee, step{at, i}
			if !waits[e.to] {
				waits[e.to] = true
				queue = append(queue, e.to)
			}
		}
	}
	return came, fee[sink] < far
}

// without is the fee of a visit that finds no place: above the sum of any others.
const without = 1 << 30

// flow gives each visit a place, or the zero Place where there is none.
func (h *House) flow(visits []Visit, stays []Taken, notBefore civil.Date) []Place {
	var n network
	source, sink := n.node(), n.node()
	places := make(map[Place]int)
	where := make(map[int]Place)
	days := make(map[civil.Date]int)
	first := len(n.nodes)
	for range visits {
		n.node()
	}
	for i, v := range visits {
		n.link(source, first+i, 1, 0)
		for _, d := range h.within(v, notBefore) {
			for _, at := range h.minutes(Monitoring) {
				p := Place{d, at}
				if _, known := places[p]; !known {
					places[p] = n.node()
					where[places[p]] = p
					h.linkPlace(&n, p, places[p], sink, days, stays)
				}
				n.link(first+i, places[p], 1, distance(v.Place, p))
			}
		}
		n.link(first+i, sink, 1, without)
	}
	n.push(source, sink, len(visits))
	found := make([]Place, len(visits))
	for i := range visits {
		for _, e := range n.nodes[first+i] {
			if p, is := where[e.to]; is && e.room == 0 {
				found[i] = p
			}
		}
	}
	return found
}

// linkPlace lets a minute lead to its day, and the day to the sink, as far as there is
// room beside what stays.
func (h *House) linkPlace(n *network, p Place, node, sink int, days map[civil.Date]int, stays []Taken) {
	slots := h.slots(Monitoring)
	day, known := days[p.On]
	if !known {
		day = n.node()
		days[p.On] = day
		left := without
		if slots.PerDay > 0 {
			left = max(0, slots.PerDay-onDay(Monitoring, p.On, stays))
		}
		n.link(day, sink, left, 0)
	}
	left := without
	if slots.Rooms > 0 {
		left = max(0, slots.Rooms-peak(Monitoring, p, stepOf(slots), stays))
	}
	n.link(node, day, left, 0)
}
