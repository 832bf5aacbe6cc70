//! What greyhold promises, one file a promise: through the real program where that is what a photographer meets, through the
//! library otherwise.
//!
//! All of them are one test program, because each further one links the whole library anew. So they share a process, and run
//! beside each other in it: a promise that looks at its own process (its memory, its children, its open files) goes through
//! `harness::process::in_a_process_of_its_own`, and none changes the environment or the current folder. `cargo test --test promises NAME`
//! runs one of them: a file's name, or a test's.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../harness/mod.rs"]
mod harness;

mod a_bracket_may_be_shot_from_the_hand;
mod a_camera_is_calibrated_from_a_bracket;
mod a_caption_leaves_the_picture_as_it_is;
mod a_changed_configuration_is_taken_up;
mod a_decision_rests_on_what_is_known;
mod a_deleted_frame_asks_for_nothing;
mod a_file_not_filled_yet_is_told_from_a_flat_one;
mod a_filter_on_the_lens_is_counted;
mod a_folder_that_goes_is_waited_for;
mod a_frame_is_taken_up_once_when_whole;
mod a_frame_that_others_overtook_asks_for_nothing;
mod a_kill_between_two_records_loses_no_judgement;
mod a_map_shows_where_the_light_changed;
mod a_package_brings_what_systems_expect;
mod a_plan_says_what_next_will_ask;
mod a_raw_file_is_answered_by_its_picture_first;
mod a_report_of_a_fault_names_nobody;
mod a_scene_is_known_wherever_it_lies;
mod a_sitting_begins_and_ends;
mod a_solve_holds_up_no_answer;
mod a_start_without_a_folder_asks_for_one;
mod a_state_that_is_carried_is_the_state_of_all_records;
mod a_strangers_file_cannot_hurt_the_daemon;
mod a_strangers_file_costs_no_more_than_itself;
mod a_stuck_reader_stops_nothing;
mod a_survey_makes_each_light_known;
mod a_survey_says_what_it_can_not_tell;
mod a_survey_teaches_the_curve;
mod a_verdict_says_what_it_rests_on;
mod a_white_frame_and_a_black_one_say_so;
mod containers_from_the_registries;
mod each_cause_is_told_apart;
mod each_phone_has_a_session_of_its_own;
mod each_state_fits_every_screen;
mod every_kind_of_record_is_described;
mod every_wait_of_a_test_has_an_end;
mod hand_over;
mod heif_pictures_are_metered;
mod layers;
mod no_number_in_a_record_is_lost;
mod no_reading_from_a_cut_file;
mod nobody_without_the_token_stops_the_page;
mod nothing_holds_up_the_sitting;
mod nothing_is_lost_or_doubled_over_a_restart;
mod one_frame_is_a_suspicion;
mod outside_references;
mod pages_that_hang_hold_up_no_frame;
mod published_tables;
mod raw_and_jpeg_of_one_stem_are_one_frame;
mod raw_files_hold_linear_light;
mod real_files_are_metered_as_outside_decoders_read_them;
mod real_photographs_are_read_in_true_stops;
mod rebuild;
mod report;
mod scans_find_what_no_event_told;
mod settings_that_came_back_teach_the_curve;
mod settling_waits_for_quiet;
mod sharpness_is_measured_in_raw_files;
mod sharpness_is_measured_on_the_same_lashes;
mod sharpness_is_told_after_the_answer;
mod sheet;
mod single_lights_are_solved_as_published;
mod the_command_line_is_plain;
mod the_demo_tells_its_story;
mod the_golden_log_replays;
mod the_light_is_built_before_it_is_watched;
mod the_light_of_late_frames_outlives_the_program;
mod the_page_plans_several_apertures;
mod the_page_sets_apertures_side_by_side;
mod the_same_points_are_found_whatever_the_framing;
mod the_shot_log_is_safe_to_name;
mod the_shot_log_keeps_what_it_announced;
mod the_socket_is_its_owners_alone;
mod the_socket_serves_everybody;
mod the_stand_page_is_encrypted_and_found_by_name;
mod the_stand_page_leads_the_assistant;
mod the_stand_page_lets_nobody_else_in;
mod the_stock_curve_is_what_real_cameras_give;
mod the_terminal_shows_the_sitting;
mod two_files_of_an_exposure_are_judged_as_one;
mod what_can_not_be_logged_is_told;
mod what_else_changed_is_told;
mod what_stands_where_is_written_down;
mod what_was_meant_is_the_new_target;
mod what_was_told_can_be_taken_back;
