"""Every rule, listed by hand in the order in which a link-up is built."""

import sys
from collections.abc import Iterator
from pathlib import Path

from analyzer.findings import Rule
from rules.address import (
    address_in_use,
    illegal_address,
    no_address_given,
    overlapping_adapters,
    pc_has_controllers_address,
    rival_address_servers,
    self_assigned_address,
)
from rules.answer import (
    dropped_on_first_request,
    inner_open_refused,
    joined_requests,
    late_answer_mixed_up,
    nobody_speaks,
    one_way_stream,
    request_rejected,
    request_unanswered,
    slow_answers,
)
from rules.link import (
    frame_flood,
    late_forwarding,
    link_flapping,
    nothing_heard,
    port_access_control,
    vlan_mismatch,
)
from rules.neighbour import (
    address_lost,
    arp_silent_controller,
    cloned_hardware_address,
    controller_starting,
    duplicate_address,
    late_start,
    proxy_answer,
    stale_mapping,
    switch_probe,
    unanswered_arp,
    unlike_label,
)
from rules.port import (
    answer_from_elsewhere,
    call_back_refused,
    half_open_session,
    port_refused,
    port_silent,
    reconnect_storm,
    session_limit,
    udp_port_closed,
    wrong_device_answers,
)
from rules.recording import (
    clock_jump,
    damaged_file,
    filtered_recording,
    frames_cut_short,
    no_attempt,
    no_hardware_addresses,
    nothing_recorded,
    recorded_twice,
    recorder_dropped,
    started_late,
    stopped_early,
    third_party_recording,
    wrong_adapter,
)
from rules.route import (
    controllers_gateway_wrong,
    discovery_unanswered,
    large_frames_lost,
    path_refused,
    redirected_path,
    router_cannot_deliver,
    subnet_mismatch,
)
from rules.session import (
    acceptance_unheard,
    controller_restarted,
    idle_close,
    lossy_path,
    path_lost,
    pc_gave_up,
    receiver_stalled,
    session_closed,
    session_reset,
)

ALL = (
    damaged_file.RULE,
    wrong_adapter.RULE,
    third_party_recording.RULE,
    nothing_recorded.RULE,
    no_attempt.RULE,
    started_late.RULE,
    stopped_early.RULE,
    filtered_recording.RULE,
    frames_cut_short.RULE,
    no_hardware_addresses.RULE,
    recorder_dropped.RULE,
    clock_jump.RULE,
    recorded_twice.RULE,
    link_flapping.RULE,
    port_access_control.RULE,
    late_forwarding.RULE,
    frame_flood.RULE,
    vlan_mismatch.RULE,
    nothing_heard.RULE,
    illegal_address.RULE,
    no_address_given.RULE,
    self_assigned_address.RULE,
    pc_has_controllers_address.RULE,
    address_in_use.RULE,
    rival_address_servers.RULE,
    overlapping_adapters.RULE,
    proxy_answer.RULE,
    duplicate_address.RULE,
    stale_mapping.RULE,
    cloned_hardware_address.RULE,
    switch_probe.RULE,
    address_lost.RULE,
    controller_starting.RULE,
    late_start.RULE,
    arp_silent_controller.RULE,
    unanswered_arp.RULE,
    unlike_label.RULE,
    router_cannot_deliver.RULE,
    path_refused.RULE,
    redirected_path.RULE,
    controllers_gateway_wrong.RULE,
    subnet_mismatch.RULE,
    large_frames_lost.RULE,
    discovery_unanswered.RULE,
    wrong_device_answers.RULE,
    half_open_session.RULE,
    reconnect_storm.RULE,
    session_limit.RULE,
    port_refused.RULE,
    port_silent.RULE,
    answer_from_elsewhere.RULE,
    udp_port_closed.RULE,
    call_back_refused.RULE,
    acceptance_unheard.RULE,
    controller_restarted.RULE,
    receiver_stalled.RULE,
    pc_gave_up.RULE,
    lossy_path.RULE,
    path_lost.RULE,
    idle_close.RULE,
    session_closed.RULE,
    session_reset.RULE,
    dropped_on_first_request.RULE,
    inner_open_refused.RULE,
    request_rejected.RULE,
    joined_requests.RULE,
    request_unanswered.RULE,
    nobody_speaks.RULE,
    late_answer_mixed_up.RULE,
    slow_answers.RULE,
    one_way_stream.RULE,
)


GROUP = "whynolink.rules"
"""The entry-point group through which a team adds rules: each entry point names a Rule."""


def all_rules() -> tuple[Rule, ...]:
    """The rules above, and those that a team adds."""
    return (*ALL, *_added())


def _added() -> Iterator[Rule]:
    if any(_may_name_rules(Path(place)) for place in sys.path):
        from importlib.metadata import entry_points  # takes long to import

        yield from (point.load() for point in entry_points(group=GROUP))


def _may_name_rules(place: Path) -> bool:
    """Whether packages in a place may add rules; of an archive this is not known."""
    try:
        lists = place.glob("*-info/entry_points.txt")
        return place.is_file() or any(GROUP.encode() in one.read_bytes() for one in lists)
    except OSError:
        return True
