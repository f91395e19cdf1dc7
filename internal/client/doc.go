// Package client speaks to a lotpaper service over REST, with the messages of the contract.
//
// It promises that a refusal comes back as the *fault.Error that the service made, with its reason and field, that a token is never
// sent in the clear to another machine nor passed on to where a redirect points, and that a request is sent again only when the
// service itself says that this may help. That is always right for this service: every write carries an id, so that a repeated one is
// answered and not done twice.
//
// Which token and which events are the caller's matter.
package client
