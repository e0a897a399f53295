//! What a route asks of who uses it.

use plant::Role;

/// Every route has a need: the list of routes does not compile without one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Need {
    /// Anybody, always: health, the way in, and what pages are drawn with.
    Open,
    /// Anybody where the config says that reading is open, else anybody with a role.
    Read,
    /// Who may add to the record: inspectors, operations, analysts, admins.
    Write,
    /// Who may answer advice: operations, analysts, admins.
    Decide,
    /// Who may see what everybody did: analysts and admins.
    Review,
}

impl Need {
    /// Whether a role is enough.
    pub(crate) const fn met_by(self, role: Role) -> bool {
        match self {
            Need::Open | Need::Read => true,
            Need::Write => matches!(role, Role::Inspector | Role::Operations | Role::Analyst | Role::Admin),
            Need::Decide => matches!(role, Role::Operations | Role::Analyst | Role::Admin),
            Need::Review => matches!(role, Role::Analyst | Role::Admin),
        }
    }

    /// The roles that are enough, in words.
    pub(crate) const fn roles(self) -> &'static str {
        match self {
            Need::Open | Need::Read => "any role",
            Need::Write => "inspector, operations, analyst or admin",
            Need::Decide => "operations, analyst or admin",
            Need::Review => "analyst or admin",
        }
    }
}
