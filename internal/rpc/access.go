package rpc

import (
	"strings"

	"google.golang.org/grpc/health/grpc_health_v1"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"
	reflectionv1alpha "google.golang.org/grpc/reflection/grpc_reflection_v1alpha"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// Access says who may call a method.
type Access uint8

// The accesses. Denied is the zero value: a method that nobody put into the table is served to nobody.
const (
	Denied Access = iota
	Public        // anybody, with or without a token; a token that is given must be good
	Read          // a token with the scope READ
	Post          // a token with the scope POST
	Admin         // a token with the scope ADMIN
)

// scope is what a token must have for an access.
func (a Access) scope() opal.Scope {
	switch a {
	case Read:
		return opal.ScopeRead
	case Post:
		return opal.ScopePost
	}
	return opal.ScopeAdmin
}

// Methods is the table of methods by full name. A method that may be called by its own kind of party only (the admin, a laboratory)
// and is Post here is judged further by the account rules.
func Methods() map[string]Access {
	return map[string]Access{
		pb.IntakeService_Append_FullMethodName:          Post,
		pb.IntakeService_AppendLogEvent_FullMethodName:  Post,
		pb.IntakeService_AppendBatch_FullMethodName:     Post,
		pb.IntakeService_AppendStream_FullMethodName:    Post,
		pb.IntakeService_AppendEnvelopes_FullMethodName: Post,
		pb.IntakeService_CreateParty_FullMethodName:     Admin,
		pb.IntakeService_CreateToken_FullMethodName:     Post, // the admin, or the party itself
		pb.IntakeService_DeleteToken_FullMethodName:     Post, // the admin, or the party itself
		pb.IntakeService_CreateHandle_FullMethodName:    Post,
		pb.IntakeService_DeleteHandle_FullMethodName:    Post,

		pb.StatusService_GetLog_FullMethodName:             Public,
		pb.StatusService_ListLots_FullMethodName:           Read,
		pb.StatusService_ListAlerts_FullMethodName:         Read,
		pb.StatusService_GetLot_FullMethodName:             Read,
		pb.StatusService_GetHistory_FullMethodName:         Read,
		pb.StatusService_GetLineage_FullMethodName:         Read,
		pb.StatusService_GetStatus_FullMethodName:          Read,
		pb.StatusService_CheckClaims_FullMethodName:        Read,
		pb.StatusService_GetStone_FullMethodName:           Public,
		pb.StatusService_GetStoneHistory_FullMethodName:    Public,
		pb.StatusService_GetStoneDisclosure_FullMethodName: Public,
		pb.StatusService_GetNextTests_FullMethodName:       Read,
		pb.StatusService_GetDisclosure_FullMethodName:      Read,
		pb.StatusService_Watch_FullMethodName:              Read,

		pb.LaboratoryService_PlanSample_FullMethodName:       Public,
		pb.LaboratoryService_InferSample_FullMethodName:      Public,
		pb.LaboratoryService_WeighHydrostatic_FullMethodName: Public,
		pb.LaboratoryService_ReadUptake_FullMethodName:       Public,
		pb.LaboratoryService_ReadSpectrum_FullMethodName:     Public,

		pb.AttachmentService_PutAttachment_FullMethodName:   Post,
		pb.AttachmentService_GetAttachment_FullMethodName:   Read,
		pb.AttachmentService_GetStonePicture_FullMethodName: Public,

		pb.PrivacyService_RevealField_FullMethodName: Post,
		pb.PrivacyService_EraseFields_FullMethodName: Post, // the event's poster, or the admin

		pb.TransparencyService_GetCheckpoint_FullMethodName:    Public,
		pb.TransparencyService_GetTile_FullMethodName:          Public,
		pb.TransparencyService_GetEntries_FullMethodName:       Public,
		pb.TransparencyService_ProveInclusion_FullMethodName:   Public,
		pb.TransparencyService_ProveConsistency_FullMethodName: Public,
		pb.TransparencyService_GetLotProof_FullMethodName:      Read,
		pb.TransparencyService_GetStoneProof_FullMethodName:    Public,

		grpc_health_v1.Health_Check_FullMethodName:                             Public,
		grpc_health_v1.Health_List_FullMethodName:                              Public,
		grpc_health_v1.Health_Watch_FullMethodName:                             Public,
		reflectionv1.ServerReflection_ServerReflectionInfo_FullMethodName:      Public,
		reflectionv1alpha.ServerReflection_ServerReflectionInfo_FullMethodName: Public,
	}
}

// shortName gives "Append" for "/lotpaper.v1.IntakeService/Append".
func shortName(method string) string { return method[strings.LastIndexByte(method, '/')+1:] }
