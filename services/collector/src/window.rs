//! Which messages are held unacknowledged, and which of them may be acknowledged now. Pure: it knows no broker.

use std::collections::VecDeque;

/// The messages of one connection that were received and not yet acknowledged, in order of receipt.
///
/// Acknowledgements leave in that order, only for committed messages, and never in another connection than the one
/// that brought the message: some brokers drop a connection, and one loses a message, for an acknowledgement that is
/// out of order.
#[derive(Debug)]
pub(crate) struct Window<P> {
    epoch: u64,
    /// Number of the first message in `held`, counted within the epoch.
    first: u64,
    held: VecDeque<Held<P>>,
}

#[derive(Debug)]
struct Held<P> {
    packet: P,
    committed: bool,
}

/// A message's place in the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ticket {
    epoch: u64,
    number: u64,
}

impl<P> Window<P> {
    pub(crate) fn new() -> Self {
        Self { epoch: 0, first: 0, held: VecDeque::new() }
    }

    /// Notes a message; the broker knows it as `packet`.
    pub(crate) fn receive(&mut self, packet: P) -> Ticket {
        self.held.push_back(Held { packet, committed: false });
        Ticket { epoch: self.epoch, number: self.first + self.held.len() as u64 - 1 }
    }

    /// Notes that a message is durable. One of an earlier connection is ignored: the broker brings it again.
    pub(crate) fn commit(&mut self, ticket: Ticket) {
        if ticket.epoch != self.epoch {
            return;
        }
        let held = ticket.number.checked_sub(self.first).and_then(|at| self.held.get_mut(at as usize));
        if let Some(held) = held {
            held.committed = true;
        }
    }

    /// The packet to acknowledge next, if it is committed.
    pub(crate) fn next_ack(&self) -> Option<&P> {
        self.held.front().filter(|held| held.committed).map(|held| &held.packet)
    }

    /// Notes that the packet of [`Self::next_ack`] was acknowledged.
    pub(crate) fn acknowledged(&mut self) {
        if self.held.pop_front().is_some() {
            self.first += 1;
        }
    }

    /// A new connection: what the old one brought will come again, or was acknowledged.
    pub(crate) fn renew(&mut self) {
        self.epoch += 1;
        self.first = 0;
        self.held.clear();
    }

    /// How many messages are held.
    pub(crate) fn unacknowledged(&self) -> usize {
        self.held.len()
    }

    /// Whether anything was acknowledged in this connection.
    pub(crate) fn has_acknowledged(&self) -> bool {
        self.first > 0
    }

    /// Which connection it is, counted from 0.
    pub(crate) fn epoch(&self) -> u64 {
        self.epoch
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    #[derive(Debug, Clone)]
    enum Step {
        Receive,
        /// Commits the so-many-th ticket ever given, whatever connection it is from.
        Commit(prop::sample::Index),
        Ack,
        Reconnect,
    }

    fn steps() -> impl Strategy<Value = Vec<Step>> {
        let step = prop_oneof![
            4 => Just(Step::Receive),
            4 => any::<prop::sample::Index>().prop_map(Step::Commit),
            4 => Just(Step::Ack),
            1 => Just(Step::Reconnect),
        ];
        prop::collection::vec(step, 1..200)
    }

    proptest! {
        /// Held against a plain record of what happened: a packet is (connection, number of receipt in it).
        #[test]
        fn acks_leave_in_order_after_commit_and_in_their_own_connection(steps in steps()) {
            let mut window = Window::new();
            let mut tickets: Vec<(Ticket, (u64, u64))> = Vec::new();
            let mut committed = BTreeSet::new();
            let (mut connection, mut received, mut acked) = (0_u64, 0_u64, 0_u64);
            for step in steps {
                match step {
                    Step::Receive => {
                        let packet = (connection, received);
                        tickets.push((window.receive(packet), packet));
                        received += 1;
                    }
                    Step::Commit(index) if !tickets.is_empty() => {
                        let (ticket, packet) = tickets[index.index(tickets.len())];
                        window.commit(ticket);
                        committed.insert(packet);
                    }
                    Step::Commit(_) => {}
                    Step::Ack => {
                        let next = window.next_ack().copied();
                        let due = (connection, acked);
                        let may = acked < received && committed.contains(&due);
                        prop_assert_eq!(next, may.then_some(due));
                        if next.is_some() {
                            window.acknowledged();
                            acked += 1;
                        }
                    }
                    Step::Reconnect => {
                        window.renew();
                        (connection, received, acked) = (connection + 1, 0, 0);
                    }
                }
                prop_assert_eq!(window.unacknowledged() as u64, received - acked);
                prop_assert_eq!(window.has_acknowledged(), acked > 0);
                prop_assert_eq!(window.epoch(), connection);
            }
        }
    }
}
